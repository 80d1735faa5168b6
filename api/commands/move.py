"""`bothends move`: a store from one database to another."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from api.commands.stores import failed, named_store, open_existing, progress

if TYPE_CHECKING:
    from api.commands import Subparsers


def add(subparsers: Subparsers) -> None:
    command = subparsers.add_parser(
        "move",
        help="copy a whole store to another database",
        description="Copies a whole store, from SQLite to PostgreSQL or back or to one of its"
        " kind, and compares every table in the end. When it was interrupted, run it again and it"
        " continues where it was. The source stays as it is; stop its servers first, since what"
        " they keep meanwhile is not moved.",
    )
    command.add_argument(
        "--from",
        dest="source",
        required=True,
        metavar="URL",
        help="the store, or @FILE that holds its URL",
    )
    command.add_argument("--to", required=True, metavar="URL", help="an empty database, likewise")


def run(args: argparse.Namespace) -> int:
    from sqlalchemy.exc import DBAPIError

    from api.store.engine import StoreError, open_engine
    from api.store.moving import move

    try:
        source = open_existing(named_store(args.source) or "")
        target = open_engine(named_store(args.to) or "")
        with progress() as show:
            moved = move(source, target, lambda table, done, whole: show(done, whole, table))
    except StoreError as error:
        return failed(error)
    except DBAPIError as error:
        return failed(f"the move was interrupted ({str(error.orig).strip()}); run it again")
    print("moved: " + (", ".join(f"{n} {name}" for name, n in moved.items() if n) or "no rows"))
    return 0
