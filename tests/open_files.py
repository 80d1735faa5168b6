"""The limit on open files of a running process, which Linux lets others set."""

from __future__ import annotations

import resource
from pathlib import Path


def allow_no_more(pid: int) -> int:
    """Let the process open no file more; the limit that it had, for `allow`."""
    used = {int(each.name) for each in Path(f"/proc/{pid}/fd").iterdir()}
    return allow(pid, next(n for n in range(len(used) + 1) if n not in used))


def allow(pid: int, files: int) -> int:
    """Let the process have so many; returns how many it might have."""
    soft, hard = resource.prlimit(pid, resource.RLIMIT_NOFILE)
    resource.prlimit(pid, resource.RLIMIT_NOFILE, (files, hard))
    return soft
