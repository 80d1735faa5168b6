"""The daily backups of an SQLite store, in the folder `backups` beside its file.

They are in the order in which they were made, by a number in each, and not by their names: a
computer's clock may be years off for a while.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Final

from api.store import backup
from api.store.engine import file_in

_STORE: Final = file_in(Path()).stem


@dataclass(frozen=True, slots=True)
class Copy:
    """One daily backup: its file, the day in its name, its number and when it was made."""

    path: Path
    day: date
    number: int
    made_at: datetime


def folder_of(data: Path) -> Path:
    """The folder of the daily backups of the store whose file is in `data`."""
    return data / "backups"


def latest_good(data: Path, store: str = _STORE) -> Path | None:
    """The newest daily backup that is as it was written, by its SHA-256; None where there is none.

    `data`: the folder that holds the store's file; `store`: that file's name without its ending.
    """
    return next((copy.path for copy in _good(copies(data, store))), None)


def copies(data: Path, store: str = _STORE) -> list[Copy]:
    """The daily backups that say when they were made, the newest first; damaged ones may be
    among them. Raises OSError where the folder cannot be read."""
    folder = folder_of(data)
    if not folder.exists():
        return []
    named = re.compile(rf"{re.escape(store)}-(\d{{4}}-\d\d-\d\d)\.sqlite")
    found = []
    for path in folder.iterdir():
        match = named.fullmatch(path.name)
        made = backup.made(path) if match else None
        if match and made is not None:
            try:
                day = date.fromisoformat(match[1])
            except ValueError:
                continue
            found.append(Copy(path, day, made.number, made.at))
    return sorted(found, key=lambda copy: (copy.number, copy.day), reverse=True)


def _good(found: list[Copy]) -> Iterator[Copy]:
    return (copy for copy in found if backup.as_written(copy.path))
