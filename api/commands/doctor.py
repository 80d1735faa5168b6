"""`bothends doctor`: check that the store is in order."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from api.commands.stores import add_store_options, failed, open_existing, store_url

if TYPE_CHECKING:
    from api.commands import Subparsers


def add(subparsers: Subparsers) -> None:
    command = subparsers.add_parser(
        "doctor",
        help="check that the store is in order",
        description="Replays every series from its log and compares, and checks that no row"
        " points nowhere, no number is missing or used twice, and every reading and trial has its"
        " event. Prints what is wrong, one finding per line, and ends with status 1 if anything"
        " is. A server may keep running meanwhile.",
    )
    add_store_options(command)
    command.add_argument(
        "--repair",
        action="store_true",
        help="rewrite what follows from the log (trials, places) where it differs",
    )


def run(args: argparse.Namespace) -> int:
    from sqlalchemy.exc import DBAPIError

    from api.store import doctor, schema_step
    from api.store.engine import StoreError

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
        return failed(f"the store cannot be read ({str(error.orig).strip()}); open a backup")
    if not found:
        print("the store is in order")
    return 1 if found else 0
