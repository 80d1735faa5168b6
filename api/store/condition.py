"""Whether the store is whole while a server has it open, and the sentence for people where it is
not: what is wrong, what still works, and what to do now."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Final

from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError

from api.store import backups, damage, trouble
from api.store.engine import GoneStore, StoreError, only_read, sqlite_file
from api.store.place import log_of, options

_log = logging.getLogger(__name__)

# An error that the database did not raise is seldom damage's; looking for it costs a while.
_LOOK_S: Final = 5.0
_LOOK_AGAIN_S: Final = 60.0
_BACKUP_AGAIN_S: Final = 60.0


class Condition:
    """The condition of the store of `engine`, whose small files are in the folder `data`.

    Once damage was found, the engine only reads, until the program starts again. `changed` is
    called then, and again when the latest good backup is known, from any thread.
    """

    def __init__(self, engine: Engine, data: Path, changed: Callable[[], None]) -> None:
        self._engine = engine
        self._data = data
        self._changed = changed
        self._path = sqlite_file(engine.url)
        self._lock = threading.Lock()
        self._looked_at = float("-inf")
        self._why = ""
        self._backup = _LatestBackup(self._path, self._told)

    @property
    def damaged(self) -> str:
        """What is wrong and what to do, where the store is damaged; else empty."""
        if not self._why or self._path is None:
            return ""
        return damaged(self._path, self._data, self._why, self._backup.path)

    def found(self, why: str) -> None:
        """The store is damaged, as `why` says; nothing happens where that is empty."""
        with self._lock:
            if not why or self._why:
                return
            self._why = why
            only_read(self._engine)
        self._changed()
        self._backup.look()

    def watch(self, check: Future[str]) -> None:
        """Take what a check in the background finds."""
        check.add_done_callback(lambda done: self.found(done.result()))

    def met(self, error: Exception) -> str:
        """What `error`, raised while the store was asked, says of it, as a sentence for a person;
        empty where it is not the store's fault."""
        if isinstance(error, GoneStore):
            self._backup.look()
            backup = self._backup.path
            if self._path is None or backup is None:
                return str(error)
            restore = _restore(self._path, self._data, backup)
            return f"{error}; or stop bothends and run {restore}"
        if isinstance(error, StoreError):
            return str(error)
        if isinstance(error, DBAPIError):
            self.found(damage.meant(error) if self._path else "")
            return self.damaged or trouble.sentence(error)
        if self._path and not self._why:
            self._look(self._path)
        return self.damaged

    def _look(self, path: Path) -> None:
        """Look whether an error that the program did not expect is the file's fault."""
        with self._lock:
            now = time.monotonic()
            if now - self._looked_at < _LOOK_AGAIN_S:
                return
            self._looked_at = now
        self.found(damage.found_in(path, _LOOK_S, rows=True))

    def _told(self) -> None:
        if self._why:
            _log.error("%s", self.damaged)
            self._changed()


def damaged(path: Path, data: Path, why: str, backup: Path | None) -> str:
    """What a person is told of a damaged store at `path`, with small files in `data`."""
    restore = f"{_restore(path, data, backup)}, or " if backup else ""
    salvage = f"bothends doctor --salvage NEW.sqlite {options(path, data)}"
    salvage += ", which copies what can be read"
    if not path.exists():
        log = log_of(path)
        ways = f"{restore}{f'{salvage} of {log.name}, or ' if log else ''}"
        return (
            f"the store {path} is missing ({why}): stop bothends, then put the file back,"
            f" {f'run {ways}' if ways else 'or '}give another folder with --data for a new"
            " store; until then nothing can be read, and presses of the calipers here are kept"
            " beside it"
        )
    return (
        f"the store {path} is damaged ({why}): stop bothends, then run {restore}{salvage}; until"
        " then it is only read, and presses of the calipers here are kept beside it"
    )


def _restore(path: Path, data: Path, backup: Path) -> str:
    return f"bothends restore latest {options(path, data)}, which puts back {backup.name}"


class _LatestBackup:
    """The latest good backup of the file `store`, looked for in the background: checking one may
    take long.

    `known` is called after each look.
    """

    def __init__(self, store: Path | None, known: Callable[[], None]) -> None:
        self._store = store
        self._known = known
        self._lock = threading.Lock()
        self.path: Path | None = None
        self._looked_at = float("-inf")

    def look(self) -> None:
        with self._lock:
            if self._store is None or time.monotonic() - self._looked_at < _BACKUP_AGAIN_S:
                return
            self._looked_at = time.monotonic()
        threading.Thread(target=self._look, name="latest backup", daemon=True).start()

    def _look(self) -> None:
        self.path = None if self._store is None else backups.latest_good(self._store)
        self._known()
