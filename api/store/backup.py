"""Backups of an SQLite store: complete, of one moment, made while the store is in use.

A backup is itself a store: one file, opened like any other. Its SHA-256 is in a file beside it,
in the format that sha256sum(1) writes and checks.
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from sqlalchemy import Connection, Engine, func, inspect, select
from sqlalchemy.exc import DBAPIError

from api.store import schema_step
from api.store.engine import StoreError, open_engine, sqlite_file, sqlite_file_url
from api.store.tables import Base

# Pages copied per step; between two steps, other connections may write.
_PAGES: Final = 2000
BackupProgress = Callable[[int, int], None]
"""Called with how much is done, and of how much."""


@dataclass(frozen=True, slots=True)
class Checked:
    """A backup that passed its checks: its schema step, its rows by table, its SHA-256."""

    step: str
    counts: dict[str, int]
    sha256: str


def back_up(
    engine: Engine, to: Path, progress: BackupProgress = lambda _done, _whole: None
) -> Checked:
    """Copy the SQLite store of `engine` to the new file `to`, check it, and say what is in it.

    Raises StoreError where the store is no SQLite file, `to` is there already, it cannot be
    written, or the copy is not whole.
    """
    path = sqlite_file(engine.url)
    if path is None:
        raise StoreError("only a store in an SQLite file is backed up so")
    if not path.exists():
        raise StoreError(f"there is no store at {path}; give its folder with --data")
    beside = _sum_file(to)
    for name in (to, beside):
        if name.exists():
            raise StoreError(f"{name} is there already; give a new name, such as one with the date")
    _copy(path, to, progress)
    try:
        checked = check(to)
        beside.write_text(f"{checked.sha256}  {to.name}\n")
    except (StoreError, OSError):
        to.unlink()
        raise
    return checked


def check(path: Path) -> Checked:
    """What is in the backup at `path`, after all of it was checked. Nothing is written.

    Raises StoreError where it is not the file that was written, SQLite finds it damaged,
    a row points nowhere, or it is no store of a step that this program knows.
    """
    try:
        digest = _sha256(path)
    except OSError as error:
        raise StoreError(
            f"{path} cannot be read ({error.strerror}); give a backup's file"
        ) from None
    with suppress(FileNotFoundError):
        if _sum_file(path).read_text().split()[:1] != [digest]:
            raise StoreError(f"{path} is not as it was written: {_sum_file(path)} says otherwise")
    engine = open_engine(sqlite_file_url(path, read_only=True))
    try:
        with engine.connect() as connection:
            for pragma, what in (("integrity_check", "damaged"), ("foreign_key_check", "torn")):
                found = connection.exec_driver_sql(f"PRAGMA {pragma}").fetchall()
                if found not in ([], [("ok",)]):
                    raise StoreError(f"{path} is {what}: {' '.join(map(str, found[0]))}")
            step = schema_step.revision(connection)
            if step is None or step > schema_step.HEAD:
                raise StoreError(f"{path} holds no store that this program knows (step {step})")
            return Checked(step, counts(connection), digest)
    except DBAPIError as error:
        raise StoreError(f"{path} is no store that can be read ({error.orig})") from None
    finally:
        engine.dispose()


def counts(connection: Connection) -> dict[str, int]:
    """The number of rows of each table that a store of this step has."""
    there = set(inspect(connection).get_table_names())
    return {
        table.name: connection.execute(select(func.count()).select_from(table)).scalar_one()
        for table in Base.metadata.sorted_tables
        if table.name in there
    }


def copy_beside(connection: Connection, suffix: str) -> Path | None:
    """Copy the SQLite store of `connection` to a new file beside it; None for any other store.

    Its name ends in `suffix`, and a number where one of that name is there already.
    """
    path = sqlite_file(connection.engine.url)
    if path is None:
        return None
    to, number = path.with_stem(f"{path.stem}-{suffix}"), 1
    while to.exists():
        number += 1
        to = path.with_stem(f"{path.stem}-{suffix}-{number}")
    _copy(path, to)
    return to


def _copy(path: Path, to: Path, progress: BackupProgress = lambda _done, _whole: None) -> None:
    part = to.with_name(to.name + ".part")
    try:
        with (
            closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as source,
            closing(sqlite3.connect(part)) as target,
        ):
            source.backup(
                target,
                pages=_PAGES,
                progress=lambda _status, left, whole: progress(whole - left, whole),
                sleep=0.01,
            )
            # One file without companions, so that it can be copied anywhere.
            target.execute("PRAGMA journal_mode=DELETE")
        with part.open("rb+") as written:
            os.fsync(written.fileno())
        part.replace(to)
    except (OSError, sqlite3.Error) as error:
        with suppress(OSError):
            part.unlink()
        raise StoreError(
            f"{to} cannot be written ({error}); is there room, and the right to?"
        ) from None


def _sum_file(path: Path) -> Path:
    return path.with_name(path.name + ".sha256")


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
