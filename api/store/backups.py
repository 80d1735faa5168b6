"""The daily backups of an SQLite store, in the folder `backups` beside its file.

They are in the order in which they were made, by a number in each, and not by their names: a
computer's clock may be years off for a while. A backup is made when the last good one is not of
this day, in a thread of its own that gives way to everything else.
"""

from __future__ import annotations

import glob
import logging
import os
import shutil
import sqlite3
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Final

from api.store import backup, carried, in_use
from api.store.backup import Made
from api.store.engine import StoreError
from api.store.place import options

# So that the start itself is not slowed down.
_FIRST_LOOK_S: Final = 2.0
_LOOK_AGAIN_S: Final = 600.0
# Between two parts of a copy, so that a slow disk has time for readings.
_PAUSE_S: Final = 0.02
# More would let it be stopped while it holds what the other threads need.
_NICE: Final = 10
# Left on the disk for readings.
_RESERVE_BYTES: Final = 16_000_000
_LATE: Final = timedelta(days=2)
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Copy:
    """One daily backup: its file, the day in its name, its number and when it was made."""

    path: Path
    day: date
    number: int
    made_at: datetime


def folder_of(store: Path) -> Path:
    """The folder of the daily backups of the store's file."""
    return store.parent / "backups"


def latest_good(store: Path) -> Path | None:
    """The newest daily backup of the store's file that is as it was written, by its SHA-256; None
    where there is none."""
    try:
        found = copies(store)
        return next((copy.path for copy in found if backup.as_written(copy.path)), None)
    except OSError:
        return None  # of a folder that cannot be read nothing can be restored


def copies(store: Path) -> list[Copy]:
    """The daily backups of the store's file that say when they were made, the newest first; damaged
    ones may be among them. Raises OSError where the folder cannot be read."""
    folder = folder_of(store)
    if not folder.exists():
        return []
    found = []
    for path in folder.iterdir():
        day = _day_in(path.name, store)
        made = None if day is None else backup.made(path)
        if day is not None and made is not None:
            found.append(Copy(path, day, made.number, made.at))
    return sorted(found, key=lambda copy: (copy.number, copy.day), reverse=True)


def _day_in(name: str, store: Path) -> date | None:
    """The day in the name of a daily backup of `store`; None for any other name."""
    text = name.removeprefix(f"{store.stem}-").removesuffix(".sqlite")
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return None
    return day if name == f"{store.stem}-{day.isoformat()}.sqlite" else None


@dataclass(frozen=True, slots=True)
class BackupState:
    """The last good backup (None: there is none yet), and sentences of what is wrong and what to
    do, "" where nothing is."""

    made_at: datetime | None = None
    file: str | None = None
    trouble: str = ""


def due(latest: Copy | None, today: date) -> bool:
    """Whether a backup is to be made. Also where the last one is of a day to come: the clock was
    put right since."""
    return latest is None or latest.day != today


def surplus(good: Sequence[Copy], keep: int) -> list[Copy]:
    """Those of the good backups that go, so that the `keep` made last stay."""
    return sorted(good, key=lambda copy: copy.number, reverse=True)[keep:]


def late(made_at: datetime | None, moment: datetime) -> bool:
    """Whether the last good backup is older than it may be."""
    return made_at is not None and moment - made_at > _LATE


def give_way() -> None:
    """Let the calling thread give way to all others, where the system can."""
    if sys.platform == "linux":
        # There a thread has a priority of its own.
        with suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), _NICE)


class DailyBackups:
    """Keeps the last `keep` daily backups of the SQLite file `store`, with the small files of the
    folder `data`, from `start` to `close`.

    Several servers may do so for one store: one at a time makes a backup, and all know of it.
    """

    def __init__(
        self,
        store: Path,
        data: Path,
        keep: int,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._store = store
        self._data = data
        self._keep = keep
        self._clock = clock
        self._state = BackupState()
        # Of the files found good, so that a large one is not read again each time.
        self._found_good: set[tuple[str, int, int]] = set()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="daily backups", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def close(self) -> None:
        """End a copy that is being made; its beginning is taken away."""
        self._over.set()
        if self._thread.is_alive():
            # A check of a large copy cannot be ended; its thread ends with the program, and the
            # next start takes the copy away.
            self._thread.join(1.0)

    def state(self) -> BackupState:
        """How the backups stand now."""
        state = self._state
        if not late(state.made_at, self._clock()):
            return state
        what_now = state.trouble or (
            f"Make one now (bothends backup --to FILE {options(self._store, self._data)}), and see"
            " what the program's log says."
        )
        return replace(state, trouble=f"It is more than 2 days old. {what_now}")

    def look(self) -> None:
        """Make the backup that is due, remove those that go, and see how they stand."""
        trouble = ""
        last = None
        try:
            last = self._make_if_due()
        except _Ended:
            return
        except StoreError as error:
            trouble = str(error)
        except (OSError, sqlite3.Error) as error:
            trouble = (
                f"{folder_of(self._store)} cannot be used ({backup.reason(error)}); see to"
                " the disk and to the rights of that folder"
            )
        if trouble:
            with suppress(OSError):
                last = self._last_good()
            again = f"it is tried again every {_LOOK_AGAIN_S / 60:.0f} minutes"
            trouble = f"The last try to make a backup failed, and {again}: {trouble}."
            if not self._state.trouble:
                _log.warning("%s", trouble)
        made_at, file = (None, None) if last is None else (last.made_at, last.path.name)
        self._state = BackupState(made_at, file, trouble)

    def _run(self) -> None:
        give_way()
        wait = _FIRST_LOOK_S
        while not self._over.wait(wait):
            try:
                self.look()
            except Exception:
                _log.exception("backup")
                self._state = replace(
                    self._state,
                    trouble="The last try to make a backup failed; see the program's log.",
                )
            wait = _LOOK_AGAIN_S

    def _make_if_due(self) -> Copy | None:
        """The last good backup, of today where one can be made."""
        folder, name = folder_of(self._store), self._store.stem
        moment = self._clock()
        today = moment.astimezone().date()
        last = self._last_good()
        if not due(last, today):
            return last
        if not self._store.exists():
            raise StoreError(f"{self._store} was taken away; put it back where it was")
        with in_use.as_copyist(self._store) as mine:
            # Anew: another server may have made it just now, and files that were good may have
            # been damaged since.
            self._found_good.clear()
            last = self._last_good()
            if not mine or not due(last, today):
                return last
            folder.mkdir(mode=0o700, exist_ok=True)
            _take_away_half_made(folder, name)
            _need_room(self._store, folder)
            found = copies(self._store)
            made = Made(max((copy.number for copy in found), default=0) + 1, moment)
            to = folder / f"{name}-{today.isoformat()}.sqlite"
            backup.make(self._store, to, made, carried.read(self._data), self._pause)
            good = [c for c in copies(self._store) if self._is_good(c)]
            for copy in surplus(good, self._keep):
                copy.path.unlink(missing_ok=True)
                backup.sum_file(copy.path).unlink(missing_ok=True)
            return Copy(to, today, made.number, moment)

    def _last_good(self) -> Copy | None:
        found = copies(self._store)
        return next((copy for copy in found if self._is_good(copy)), None)

    def _is_good(self, copy: Copy) -> bool:
        now = copy.path.stat()
        seen = (copy.path.name, now.st_size, now.st_mtime_ns)
        if seen not in self._found_good and backup.as_written(copy.path):
            self._found_good.add(seen)
        return seen in self._found_good

    def _pause(self, _done: int, _whole: int) -> None:
        if self._over.wait(_PAUSE_S):
            raise _Ended


class _Ended(Exception):
    """The program ends while a copy is made."""


def _take_away_half_made(folder: Path, store: str) -> None:
    """What an interrupted attempt left; called by the only one that makes a backup now."""
    for part in folder.glob(f"{glob.escape(store)}-????-??-??.sqlite.part*"):
        part.unlink(missing_ok=True)


def _need_room(store: Path, folder: Path) -> None:
    """Raise StoreError where a copy would leave too little of the disk to the readings."""
    files = (store, store.with_name(f"{store.name}-wal"))
    size = sum(file.stat().st_size for file in files if file.exists())
    free = shutil.disk_usage(folder).free
    if free < size + _RESERVE_BYTES:
        raise StoreError(
            f"there is no room for a backup in {folder}: it needs {_megabytes(size)} and leaves"
            f" {_megabytes(_RESERVE_BYTES)} to the readings, and {_megabytes(free)} are free; make"
            " room on that disk"
        )


def _megabytes(size: int) -> str:
    return f"{size / 1e6:,.1f} MB"
