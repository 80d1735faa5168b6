"""Putting a backup in the place of a store, which is put aside and never deleted.

A mark beside the store says where the present one goes, from before its first file is moved until
the backup is in its place whole. While it is there, nothing opens the store, and a restore that was
interrupted is run again: it moves what is left of the present store to where the rest is.
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import sys
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sqlalchemy import func, select
from sqlalchemy.exc import DBAPIError

from api.store import backup, carried, in_use
from api.store.carried import SmallFile
from api.store.engine import StoreError, files_of, open_engine, sqlite_file_url
from api.store.place import options
from api.store.private import give_to_owner
from api.store.tables import Reading


@dataclass(frozen=True, slots=True)
class Restored:
    """What came back: rows by table, when the newest reading was taken, small files written; and
    the folders in which is what was here before."""

    counts: dict[str, int]
    newest: datetime | None
    files: list[str]
    aside: list[Path]


def restore(
    copy: Path, store: Path, data: Path, moment: datetime, step: Callable[[str], None]
) -> Restored:
    """Put the backup `copy` in the place of the SQLite file `store`, and its small files into the
    folder `data`. `moment` names the folder for what is there now; `step` hears of each step.

    Raises StoreError where the backup is not whole, a server has the store open, or a file cannot
    be written. Then, or after an interruption at any moment, nothing is lost, and the same again
    goes on.
    """
    try:
        store.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        with in_use.alone(store):
            _refuse_no_copy(copy, store)
            checked = backup.check(copy)
            step("checked")
            new = _beside(store, ".new")
            _copy(copy, new, checked.sha256)
            step("copied")
            aside = _put_aside(store, moment, step)
            new.replace(store)
            step("in place")
            files = _put_files(checked.files, data, aside[0], step)
            counts, newest = _opened(store)
            _mark(store).unlink(missing_ok=True)
            _sync(store.parent)
            for folder in aside:
                with suppress(OSError):  # something is in it
                    folder.rmdir()
    except OSError as error:
        raise StoreError(
            f"the backup could not be put in place ({error.filename}: {error.strerror}); nothing is"
            " lost: make room, see to the rights of the folder, and run the same again"
        ) from None
    return Restored(counts, newest, files, [folder for folder in aside if folder.exists()])


def refuse_unfinished(store: Path, data: Path | None = None) -> None:
    """Raise StoreError, saying what to do, where a restore of this store was interrupted."""
    if _mark(store).exists():
        raise StoreError(
            f"a restore of {store} was interrupted; run it again: bothends restore FILE"
            f" {options(store, data)}, with latest for FILE where it was so"
        )


def _beside(store: Path, suffix: str) -> Path:
    return store.with_name(store.name + suffix)


def _mark(store: Path) -> Path:
    return _beside(store, ".restoring")


def _refuse_no_copy(copy: Path, store: Path) -> None:
    if copy.exists() and store.exists() and copy.samefile(store):
        raise StoreError(f"{copy} is the store itself; name a backup")
    wal = _beside(copy, "-wal")
    if wal.exists() and wal.stat().st_size:
        raise StoreError(
            f"{copy} is a store and no finished copy: what was written last is in {wal.name} beside"
            f" it; make a copy with bothends backup --db {sqlite_file_url(copy)} --to NEW, and"
            " restore that"
        )


def _copy(copy: Path, new: Path, sha256: str) -> None:
    """A mere store at `new`, made of the backup, on the disk."""
    try:
        backup.take_away(new)
        shutil.copyfile(copy, new)
        if backup.sha256(new) != sha256:
            raise StoreError(f"{copy} changed while it was read; run the same again")
        backup.drop_notes(new)
        with new.open("rb+") as written:
            os.fsync(written.fileno())
        give_to_owner(new)
    except (OSError, StoreError, sqlite3.Error) as error:
        with suppress(OSError):
            backup.take_away(new)
        if isinstance(error, sqlite3.Error):
            raise StoreError(
                f"{new} cannot be written ({error}); make room, and run the same again"
            ) from None
        raise


def _put_aside(store: Path, moment: datetime, step: Callable[[str], None]) -> list[Path]:
    """Move the present store to a folder of its own; all folders of this restore, the last one
    that of now.

    The main file goes first: those beside it mean nothing without it, and SQLite would write them
    into another file of its name.
    """
    aside = _marked(store)
    if not aside or (store.exists() and (aside[-1] / store.name).exists()):
        aside.append(_new_folder(store.parent, f"before-restore-{moment:%Y-%m-%d-%H%M%S}"))
        _write_mark(store, aside)
    step("marked")
    aside[-1].mkdir(mode=0o700, exist_ok=True)
    give_to_owner(aside[-1])
    for present in files_of(store):
        if present.exists():
            present.rename(aside[-1] / present.name)
            step(f"aside {present.name}")
    _sync(aside[-1], store.parent)
    return aside


def _marked(store: Path) -> list[Path]:
    """The folders that the mark of an interrupted restore names."""
    try:
        return [store.parent / name for name in json.loads(_mark(store).read_text("utf-8"))]
    except FileNotFoundError:
        return []
    except (ValueError, TypeError):
        raise StoreError(
            f"{_mark(store)} cannot be read; what was here before is in the newest folder"
            f" before-restore-... in {store.parent}: see that the store is in it, take that file"
            " away, and run the same again"
        ) from None


def _write_mark(store: Path, aside: Iterable[Path]) -> None:
    new = _beside(store, ".restoring-new")
    with new.open("w", encoding="utf-8") as mark:
        json.dump([folder.name for folder in aside], mark)
        mark.flush()
        os.fsync(mark.fileno())
    new.replace(_mark(store))
    _sync(store.parent)


def _new_folder(parent: Path, name: str) -> Path:
    folder, number = parent / name, 1
    while folder.exists():
        number += 1
        folder = parent / f"{name}-{number}"
    return folder


def _put_files(
    files: Iterable[SmallFile], data: Path, aside: Path, step: Callable[[str], None]
) -> list[str]:
    """Write the small files that differ from those in `data`, which are kept in `aside`."""
    written = []
    for file in files:
        present = carried.present(file.name, data)
        if present == file.content:
            continue
        if present is not None and carried.present(file.name, aside) is None:
            carried.put(SmallFile(file.name, present), aside)
            step(f"aside {file.name}")
        carried.put(file, data)
        written.append(file.name)
        step(file.name)
    return written


def _opened(store: Path) -> tuple[dict[str, int], datetime | None]:
    """Open the store as a server would; its rows by table, and its newest reading's moment."""
    engine = open_engine(sqlite_file_url(store))
    try:
        with engine.connect() as connection:
            newest = connection.execute(select(func.max(Reading.taken_at))).scalar()
            return backup.counts(connection), newest
    except DBAPIError as error:
        raise StoreError(
            f"{store} was put in place but does not open ({error.orig}); run the same again, or"
            " with another backup"
        ) from None
    finally:
        engine.dispose()


def _sync(*folders: Path) -> None:
    """Have the names in these folders on the disk, where the system can."""
    if sys.platform == "win32":
        return
    for folder in folders:
        opened = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(opened)
        finally:
            os.close(opened)
