"""A disk of a few megabytes, to be filled and freed."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


@contextmanager
def small_disk(folder: Path, megabytes: int = 4) -> Iterator[Path]:
    """`folder`, made now, as a disk of its own."""
    if sys.platform != "linux" or os.geteuid() != 0:
        pytest.skip("a disk of its own needs Linux and root")
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", folder], check=False
    )
    if mounted.returncode != 0:
        pytest.skip("this system mounts nothing here")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


def fill(file: Path) -> None:
    """Let `file` take all the room that its disk has."""
    with file.open("wb", buffering=0) as out:
        for size in (65_536, 512):
            while True:
                try:
                    out.write(b"x" * size)
                except OSError:
                    break
