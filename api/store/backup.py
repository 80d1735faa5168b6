"""Backups of an SQLite store: complete, of one moment, made while the store is in use.

A backup is itself a store: one file, opened like any other. Two tables in it are no part of a
store: when and as which copy of its folder it was made, and the small files of the data folder.
Its SHA-256 is in a file beside it, in the format that sha256sum(1) writes and checks.
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from sqlalchemy import Connection, Engine, func, inspect, select
from sqlalchemy.exc import DBAPIError

from api.store import carried, damage, schema_step
from api.store.carried import SmallFile
from api.store.engine import (
    StoreError,
    files_of,
    open_engine,
    read_only,
    sqlite_file,
    sqlite_file_url,
)
from api.store.place import options
from api.store.tables import Base

# Pages copied per step; between two steps, other connections may write.
_PAGES: Final = 500
# Of the copy alone; a restore drops them.
_NOTES: Final = """
DROP TABLE IF EXISTS backup_made;
DROP TABLE IF EXISTS backup_files;
"""
_NEW_NOTES: Final = """
CREATE TABLE backup_made (number INTEGER NOT NULL, at TEXT NOT NULL);
CREATE TABLE backup_files (name TEXT PRIMARY KEY, content BLOB NOT NULL);
"""
BackupProgress = Callable[[int, int], None]
"""Called with how much is done, and of how much."""


@dataclass(frozen=True, slots=True)
class Checked:
    """A backup that passed its checks: its schema step, its rows by table, its SHA-256, the small
    files in it, and when it was made (None for one of an earlier version)."""

    step: str
    counts: dict[str, int]
    sha256: str
    files: tuple[SmallFile, ...]
    made_at: datetime | None


@dataclass(frozen=True, slots=True)
class Made:
    """When a copy was made, and its number among the copies in its folder."""

    number: int
    at: datetime


def _quietly(_done: int, _whole: int) -> None:
    pass


def back_up(
    engine: Engine,
    to: Path,
    progress: BackupProgress = _quietly,
    *,
    data: Path | None = None,
) -> Checked:
    """Copy the SQLite store of `engine` and the small files of its folder `data` to the new file
    `to`, check it, and say what is in it.

    Raises StoreError where the store is no SQLite file, `to` is there already, it cannot be
    written, or the copy is not whole.
    """
    path = sqlite_file(engine.url)
    if path is None:
        raise StoreError("only a store in an SQLite file is backed up so")
    if not path.exists():
        raise StoreError(f"there is no store at {path}; give its folder with --data")
    for name in (to, sum_file(to)):
        if name.exists():
            raise StoreError(f"{name} is there already; give a new name, such as one with the date")
    return make(
        path, to, Made(0, datetime.now(UTC)), () if data is None else carried.read(data), progress
    )


def make(
    path: Path,
    to: Path,
    made: Made,
    files: Sequence[SmallFile] = (),
    progress: BackupProgress = _quietly,
) -> Checked:
    """Copy the store at `path` with `files` to `to`, in place of what is there once the copy has
    passed its check. An exception of `progress` ends it.

    Raises StoreError where it cannot be written or the copy is not whole.
    """
    part = part_file(to)
    try:
        _copy(path, part, progress)
        with closing(sqlite3.connect(part)) as target:
            _note(target, made, files)
        checked = _check_new(part, path)
        with part.open("rb+") as written:
            os.fsync(written.fileno())
        part.replace(to)
        with sum_file(to).open("w") as beside:
            beside.write(f"{checked.sha256}  {to.name}\n")
            beside.flush()
            os.fsync(beside.fileno())
    except (OSError, sqlite3.Error) as error:
        raise _unwritten(to, error) from None
    finally:
        with suppress(OSError):
            take_away(part)
    return checked


def _check_new(part: Path, store: Path) -> Checked:
    try:
        return check(part)
    except StoreError as error:
        raise StoreError(
            f"the copy is not whole ({error}); the store itself may be damaged: run bothends doctor"
            f" {options(store)}"
        ) from None


def check(path: Path) -> Checked:
    """What is in the backup at `path`, after all of it was checked. Nothing is written.

    Raises StoreError where it is not the file that was written, SQLite finds it damaged,
    a row points nowhere, or it is no store of a step that this program knows.
    """
    try:
        digest = sha256(path)
    except OSError as error:
        raise StoreError(
            f"{path} cannot be read ({error.strerror}); give a backup's file"
        ) from None
    if _stated_sum(path) not in (None, digest):
        raise StoreError(f"{path} is not as it was written: {sum_file(path)} says otherwise")
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
            rows = counts(connection)
        with closing(read_only(path, immutable=True)) as copy:
            made_at = found_made.at if (found_made := _made(copy)) is not None else None
            return Checked(step, rows, digest, _files(copy), made_at)
    except (DBAPIError, sqlite3.Error) as error:
        why = error.orig if isinstance(error, DBAPIError) else error
        raise StoreError(f"{path} is no store that can be read ({why})") from None
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
    part = part_file(to)
    try:
        _copy(path, part)
        with part.open("rb+") as written:
            os.fsync(written.fileno())
        part.replace(to)
    except (OSError, sqlite3.Error) as error:
        raise _unwritten(to, error) from None
    finally:
        with suppress(OSError):
            take_away(part)
    return to


def made(path: Path) -> Made | None:
    """When the copy at `path` was made; None where it says nothing of it or cannot be read."""
    try:
        with closing(read_only(path, immutable=True)) as copy:
            return _made(copy)
    except sqlite3.Error:
        return None


def as_written(path: Path) -> bool:
    """Whether the copy at `path` is the file that was written, by its SHA-256 beside it alone."""
    try:
        stated = _stated_sum(path)
        return stated is not None and stated == sha256(path)
    except OSError:
        return False


def drop_notes(path: Path) -> None:
    """Make a mere store of the copy at `path`. Raises sqlite3.Error."""
    with closing(sqlite3.connect(path)) as copy:
        copy.executescript(_NOTES)


def sum_file(path: Path) -> Path:
    """The file beside the copy at `path` that states its SHA-256."""
    return path.with_name(path.name + ".sha256")


def part_file(path: Path) -> Path:
    """The name that a copy has until it has passed its check."""
    return path.with_name(path.name + ".part")


def take_away(path: Path) -> None:
    """Remove a file that was not finished, also what SQLite keeps beside it: it would write that
    into the next file of this name. Raises OSError."""
    for file in files_of(path):
        file.unlink(missing_ok=True)


def sha256(path: Path) -> str:
    """The SHA-256 of a file, in hexadecimal. Raises OSError."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _copy(path: Path, part: Path, progress: BackupProgress = _quietly) -> None:
    take_away(part)
    with (
        closing(read_only(path)) as source,
        closing(sqlite3.connect(part)) as target,
    ):
        # One snapshot for all steps: without it, each commit in between starts the copy anew, and
        # under steady presses it would never end.
        source.isolation_level = None
        source.execute("BEGIN")
        source.execute("SELECT 1 FROM sqlite_schema").fetchall()
        source.backup(
            target,
            pages=_PAGES,
            progress=lambda _status, left, whole: progress(whole - left, whole),
            sleep=0.01,
        )
        # One file without companions, so that it can be copied anywhere.
        target.execute("PRAGMA journal_mode=DELETE")


def _note(copy: sqlite3.Connection, made: Made, files: Sequence[SmallFile]) -> None:
    copy.executescript(_NOTES + _NEW_NOTES)
    with copy:
        copy.execute("INSERT INTO backup_made VALUES (?, ?)", (made.number, made.at.isoformat()))
        copy.executemany(
            "INSERT INTO backup_files VALUES (?, ?)", [(f.name, f.content) for f in files]
        )


def _made(copy: sqlite3.Connection) -> Made | None:
    if not _has(copy, "backup_made"):
        return None
    row = copy.execute("SELECT number, at FROM backup_made").fetchone()
    try:
        number, at = row
        return Made(int(number), datetime.fromisoformat(at).astimezone(UTC))
    except (TypeError, ValueError):
        return None


def _files(copy: sqlite3.Connection) -> tuple[SmallFile, ...]:
    if not _has(copy, "backup_files"):
        return ()
    rows = copy.execute("SELECT name, content FROM backup_files ORDER BY name").fetchall()
    return tuple(
        SmallFile(name, content)
        for name, content in rows
        if isinstance(name, str) and isinstance(content, bytes) and carried.accepted(name)
    )


def _has(copy: sqlite3.Connection, table: str) -> bool:
    found = copy.execute("SELECT 1 FROM sqlite_schema WHERE type = 'table' AND name = ?", (table,))
    return found.fetchone() is not None


def _stated_sum(path: Path) -> str | None:
    """The SHA-256 that the file beside `path` states, "" for nonsense; None without such a file."""
    try:
        words = sum_file(path).read_text(encoding="utf-8", errors="replace").split()
    except FileNotFoundError:
        return None
    return words[0] if words else ""


def reason(error: Exception) -> str:
    """What the system or SQLite says of it, without the file."""
    return getattr(error, "strerror", None) or str(error)


def _unwritten(to: Path, error: Exception) -> StoreError:
    if damage.meant(error):
        return StoreError(f"the store is damaged ({error}), so no copy was made of it")
    return StoreError(
        f"{to} cannot be written ({reason(error)}); make room, and see to the rights of its folder"
    )
