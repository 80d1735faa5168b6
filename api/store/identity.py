"""Whether the files of an SQLite store are still those that were opened.

A program that has a deleted or moved file open goes on writing to it: every commit succeeds, but
is lost. So before anything is acknowledged, the files at the store's path are compared with those
opened, by device and inode.
"""

from __future__ import annotations

import os
from pathlib import Path


class LostFile(Exception):
    """The file is not where it was, or another one is there; the message says what to do."""


def identity(path: Path) -> tuple[int, int] | None:
    """Which file is at `path`: its device and inode; None where there is none."""
    try:
        found = os.stat(path)
    except OSError:
        return None
    return found.st_dev, found.st_ino


class SameFile:
    """The file at `path`, as it was when this was made."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._opened = identity(path)

    @property
    def same(self) -> bool:
        """Whether it is still there; true where there was none."""
        return self._opened is None or identity(self._path) == self._opened

    def check(self) -> None:
        """Raise LostFile where it is not the one that was there."""
        if self.same:
            return
        if self._path.exists():
            raise LostFile(
                f"another file is at {self._path} than the one that was opened; put that one back,"
                " or stop this program and start it again"
            )
        raise LostFile(f"{self._path} was taken away; put it back where it was")
