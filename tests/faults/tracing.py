"""System calls of running processes made slow from outside, by strace."""

from __future__ import annotations

import subprocess
from collections.abc import Iterable
from pathlib import Path

from tests.ptys import PATIENCE_S, until


class Tracing:
    """Delays system calls of `processes` (and of what they start) until `end`.

    calls: their names; path: only those with this file.
    """

    def __init__(
        self, processes: Iterable[int], calls: str, seconds: float, path: Path | None = None
    ) -> None:
        self._processes = list(processes)
        words = ["strace", "-f", "-q", "-o", "/dev/null", "-e", f"trace={calls}"]
        words += ["-e", f"inject={calls}:delay_enter={round(seconds * 1e6)}"]
        words += ["-P", str(path)] if path is not None else []
        words += [word for pid in self._processes for word in ("-p", str(pid))]
        self._strace = subprocess.Popen(words, stderr=subprocess.DEVNULL)
        assert until(self._attached), "strace does not attach to these processes"

    def end(self) -> None:
        """Let the calls go on; one that is being delayed returns now."""
        self._strace.terminate()
        try:
            self._strace.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:  # it waits for a process that is stopped
            self._strace.kill()
            self._strace.wait()

    def _attached(self) -> bool:
        # One that ended before needs no tracing.
        return self._strace.poll() is not None or all(map(_traced, self._processes))


def _traced(pid: int) -> bool:
    """Whether every thread of the process has a tracer, or the process has gone."""
    try:
        tasks = [task.read_text() for task in Path(f"/proc/{pid}/task").glob("*/status")]
    except OSError:
        return False
    return all("TracerPid:\t0\n" not in task for task in tasks)
