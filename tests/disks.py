"""A disk of a few megabytes, to be filled and freed."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import pytest

_OURS: Final = "bothends-test-disk-of-"


@contextmanager
def small_disk(folder: Path, megabytes: int = 4) -> Iterator[Path]:
    """`folder`, made now, as a disk of its own."""
    if sys.platform != "linux" or os.geteuid() != 0:
        pytest.skip("a disk of its own needs Linux and root")
    _unmount_what_was_left()
    folder.mkdir()
    mine = f"{_OURS}{os.getpid()}"
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", mine, folder], check=False
    )
    if mounted.returncode != 0:
        pytest.skip("this system mounts nothing here")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


def _unmount_what_was_left() -> None:
    """Unmount the disks of tests whose process was killed: its number is in the disk's name."""
    for line in Path("/proc/self/mounts").read_text().splitlines():
        source, folder, *_ = line.split(" ")
        process = source.removeprefix(_OURS)
        if process != source and not Path("/proc", process).exists():
            # Another process may have unmounted it just now.
            subprocess.run(["umount", "-l", folder], check=False, stderr=subprocess.DEVNULL)


def fill(file: Path) -> None:
    """Let `file` take all the room that its disk has."""
    with file.open("wb", buffering=0) as out:
        for size in (65_536, 512):
            while True:
                try:
                    out.write(b"x" * size)
                except OSError:
                    break
