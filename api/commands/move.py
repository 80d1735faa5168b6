"""`bothends move`: a store from one database to another."""

from __future__ import annotations

import argparse
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from api.commands.stores import failed, named_store, open_existing, progress

if TYPE_CHECKING:
    from sqlalchemy import Engine

    from api.commands import Subparsers


def add(subparsers: Subparsers) -> None:
    command = subparsers.add_parser(
        "move",
        help="copy a whole store to another database",
        description="Copies a whole store, from SQLite to PostgreSQL or back or to one of its"
        " kind, and compares every table in the end. When it was interrupted, run it again and it"
        " continues where it was. The source stays as it is; stop its servers first, since what"
        " they keep meanwhile is not moved. The remembered calipers (calipers.json) and your own"
        " methods (methods/*.toml) go along, from one data folder to the other; a file that is"
        " there already is left as it is.",
    )
    command.add_argument(
        "--from",
        dest="source",
        required=True,
        metavar="URL",
        help="the store, or @FILE that holds its URL",
    )
    command.add_argument("--to", required=True, metavar="URL", help="an empty database, likewise")
    for end, whose in (("from", "source"), ("to", "target")):
        command.add_argument(
            f"--{end}-data",
            dest=f"{whose}_data",
            type=Path,
            metavar="DIR",
            help=f"data folder of the {whose} (default: the folder of its SQLite file; of"
            " PostgreSQL your own, by platform)",
        )


def run(args: argparse.Namespace) -> int:
    from sqlalchemy.exc import DBAPIError

    from api.store import carried
    from api.store.engine import StoreError, open_engine
    from api.store.moving import move

    written: list[str] = []
    left: list[str] = []
    try:
        with ExitStack() as opened, progress() as show:
            source = open_existing(named_store(args.source) or "")
            opened.callback(source.dispose)
            target = open_engine(named_store(args.to) or "")
            opened.callback(target.dispose)
            files = carried.read(_data_of(source, args.source_data))
            into = _data_of(target, args.target_data)

            def carry() -> None:
                for names, more in zip(
                    (written, left), carried.put_missing(files, into), strict=True
                ):
                    names += more

            moved = move(source, target, lambda table, done, whole: show(done, whole, table), carry)
    except StoreError as error:
        return failed(error)
    except DBAPIError as error:
        return failed(f"the move was interrupted ({str(error.orig).strip()}); run it again")
    print("moved: " + (", ".join(f"{n} {name}" for name, n in moved.items() if n) or "no rows"))
    if written:
        print(f"and into {into}: {', '.join(written)}")
    if left:
        print(
            f"left as they are in {into}, where others of the same name are: {', '.join(left)};"
            " compare them yourself"
        )
    return 0


def _data_of(engine: Engine, given: Path | None) -> Path:
    """The data folder of a store."""
    from api.settings import user_data
    from api.store.engine import sqlite_file

    file = sqlite_file(engine.url)
    return given or (user_data() if file is None else file.parent)
