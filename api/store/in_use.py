"""Who has an SQLite store: any number of servers together, or one restore alone.

SQLite's own locks on an empty file beside the store: they work on every system, also where the
store itself is damaged, and end with the process however it ends.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from typing import Final

from api.store.engine import StoreError
from api.store.private import give_to_owner

# As long as a restore may take that a starting server meets; it waits for that one.
_WAIT_S: Final = 10.0


class Together:
    """A server's hold on the store at `path`, until `close`.

    Raises StoreError while a restore has the store.
    """

    def __init__(self, path: Path) -> None:
        self._lock: sqlite3.Connection | None = None
        try:
            lock = _lock(path, _WAIT_S)
        except sqlite3.OperationalError:
            # No lock can be made in a folder that is not there or may not be written: nothing can
            # be restored into it either, and opening the store says what is wrong.
            return
        try:
            lock.execute("BEGIN")
            lock.execute("SELECT 1 FROM sqlite_schema").fetchall()
        except sqlite3.OperationalError as error:
            lock.close()
            if error.sqlite_errorcode == sqlite3.SQLITE_BUSY:
                raise StoreError(
                    f"the store {path} is being restored; start again when that is done"
                ) from None
            return
        self._lock = lock

    def close(self) -> None:
        if self._lock is not None:
            self._lock.close()
            self._lock = None


@contextmanager
def alone(path: Path) -> Iterator[None]:
    """Nobody else has the store at `path` meanwhile.

    Raises StoreError where a server or another restore has it, or no lock can be made.
    """
    with ExitStack() as opened:
        try:
            opened.enter_context(closing(_lock(path, 0))).execute("BEGIN EXCLUSIVE")
            give_to_owner(lock_file(path))
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY:
                raise StoreError(
                    f"{lock_file(path)} cannot be written ({error}); see to the rights of its"
                    " folder"
                ) from None
            raise StoreError(
                f"a server has the store {path} open, or another restore; stop it (Ctrl-C, or sudo"
                " systemctl stop bothends where it runs as a service) and run the same again"
            ) from None
        yield


@contextmanager
def as_copyist(path: Path) -> Iterator[bool]:
    """Whether this is the only one that copies the store at `path` meanwhile, of all servers.

    Raises sqlite3.OperationalError where no lock can be made.
    """
    with closing(_lock(path, 0)) as lock:
        try:
            # Beside the servers' shared locks there may be one such lock.
            lock.execute("BEGIN IMMEDIATE")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY:
                raise
            yield False
        else:
            yield True


def lock_file(path: Path) -> Path:
    """The file beside the store at `path` that is locked."""
    return path.with_name(path.name + ".lock")


def _lock(path: Path, wait_s: float) -> sqlite3.Connection:
    return sqlite3.connect(
        lock_file(path), check_same_thread=False, timeout=wait_s, isolation_level=None
    )
