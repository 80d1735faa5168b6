"""`bothends doctor`: check that the store is in order."""

from __future__ import annotations

import argparse
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING

from api.commands.stores import (
    add_store_options,
    data_folder,
    failed,
    file_name,
    open_existing,
    progress,
    store_url,
)

if TYPE_CHECKING:
    from api.commands import Subparsers


def add(subparsers: Subparsers) -> None:
    command = subparsers.add_parser(
        "doctor",
        help="check that the store is in order",
        description="Replays every series from its log and compares, and checks that no row"
        " points nowhere, no number is missing or used twice, every reading and trial has its"
        " event, and the trail of what was corrected leads to what is said now. Prints what is"
        " wrong, one finding per line, and ends with status 1 if anything is. A server may keep"
        " running meanwhile.",
    )
    add_store_options(command)
    what = command.add_mutually_exclusive_group()
    what.add_argument(
        "--repair",
        action="store_true",
        help="rewrite what follows from the log (trials, places), and let what was corrected say"
        " what its trail ends at, where these differ",
    )
    what.add_argument(
        "--salvage",
        type=file_name,
        metavar="NEW",
        help="copy all that can be read of a damaged SQLite store into the new file NEW, and say"
        " what is lost; the damaged file stays as it is. Stop its server first",
    )


def run(args: argparse.Namespace) -> int:
    from sqlalchemy.exc import DBAPIError

    from api.store import doctor, schema_step
    from api.store.engine import StoreError

    if args.salvage is not None:
        return _salvage(args)
    try:
        engine = open_existing(store_url(args))
        with engine.connect() as connection:
            schema_step.check(connection)
        if args.repair and (repaired := doctor.repair(engine)):
            print(f"{repaired} findings repaired from the log")
        found = 0
        with engine.connect() as connection:
            if connection.dialect.name == "postgresql":
                connection.execution_options(isolation_level="REPEATABLE READ")
            for finding in doctor.findings(connection):
                found += 1
                hint = " (--repair fixes this)" if finding.repairable else ""
                print(f"{finding.sentence}{hint}", flush=True)
    except StoreError as error:
        return failed(error)
    except DBAPIError as error:
        return failed(
            f"the store cannot be read ({str(error.orig).strip()}): restore a backup, or copy what"
            " can be read with --salvage NEW"
        )
    if not found:
        print("the store is in order")
    return 1 if found else 0


def _salvage(args: argparse.Namespace) -> int:
    from api.store import salvage
    from api.store.engine import StoreError, open_engine, sqlite_file
    from api.store.place import options

    to: Path = args.salvage
    try:
        path = sqlite_file(open_engine(store_url(args)).url)
        if path is None:
            return failed(_WITH_ITS_OWN_TOOLS)
        with progress() as show:
            done = salvage.salvage(path, to, lambda table, n, of: show(n, of, table))
    except StoreError as error:
        return failed(error)
    print("copied: " + (", ".join(f"{n} {name}" for name, n in done.copied.items() if n)))
    lost = ", ".join(f"{n} {name}" for name, n in done.lost.items() if n)
    unknown = "what follows" if done.follows else "nothing that is known of"
    print(f"lost: {lost or unknown}")
    for sentence in done.follows:
        print(sentence)
    print(
        "trials are written anew from what was copied. To go on with it: bothends restore"
        f" {quote(str(to.absolute()))} {options(path, data_folder(args))}, then start the server"
    )
    return 0


_WITH_ITS_OWN_TOOLS = (
    "--salvage reads SQLite files; a damaged PostgreSQL database is checked with PostgreSQL's own"
    " pg_amcheck, what can be read of it is copied with pg_dump, one table at a time with --table,"
    " and it is restored with pg_restore"
)
