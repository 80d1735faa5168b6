"""`bothends restore`: a backup in the place of the store."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from api.commands import fail
from api.commands.stores import (
    add_store_options,
    data_folder,
    failed,
    file_name,
    progress,
    store_url,
)

if TYPE_CHECKING:
    from api.commands import Subparsers
    from api.store.restoring import Restored


def add(subparsers: Subparsers) -> None:
    command = subparsers.add_parser(
        "restore",
        help="put a backup in the place of the store",
        description="Checks a backup and puts it in the place of an SQLite store, with the"
        " remembered calipers and your own methods that are in it. Stop the server first. What is"
        " there now is never deleted: it goes into a folder beside it, before-restore-MOMENT. When"
        " it was interrupted, run it again.",
    )
    command.add_argument(
        "what",
        type=file_name,
        metavar="FILE|latest",
        help="the backup; latest: the newest good one of those that serve makes every day",
    )
    add_store_options(command)


def run(args: argparse.Namespace) -> int:
    from datetime import datetime

    from api.store import restoring
    from api.store.engine import StoreError, open_engine, sqlite_file

    try:
        engine = open_engine(store_url(args))
        store = sqlite_file(engine.url)
        engine.dispose()
        if store is None:
            fail(
                "only a store in an SQLite file is restored so; PostgreSQL has pg_restore, as"
                " bothends backup says"
            )
        copy = _latest(store) if args.what == Path("latest") else args.what
        with progress() as show:
            restored = restoring.restore(
                copy,
                store,
                data_folder(args),
                datetime.now().astimezone(),
                lambda step: show(0, 0, step),
            )
    except StoreError as error:
        return failed(error)
    _tell(copy, store, restored)
    return 0


def _latest(store: Path) -> Path:
    from api.store.backups import folder_of, latest_good
    from api.store.engine import StoreError

    found = latest_good(store)
    if found is None:
        raise StoreError(
            f"there is no good backup of {store.name} in {folder_of(store)}; name a backup's FILE"
        )
    return found


def _tell(copy: Path, store: Path, restored: Restored) -> None:
    rows = ", ".join(f"{n} {name}" for name, n in restored.counts.items() if n)
    print(f"{copy} is now the store {store}: {rows or 'no rows'}")
    if restored.newest is not None:
        print(f"its newest reading is of {restored.newest.astimezone():%Y-%m-%d %H:%M:%S}")
    if restored.files:
        print(f"and it brought back {', '.join(restored.files)}")
    for folder in restored.aside:
        print(f"what was here before is kept in {folder}")
        print("(what was measured after the backup was made is there alone)")
    print("now start bothends serve")
