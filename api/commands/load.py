"""`bothends load`: old measurements out of a notebook kept as CSV."""

from __future__ import annotations

import argparse
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import urlencode

from api.commands import fail
from api.commands.fingerprint_said import add_fingerprint_option, fingerprint_for
from api.commands.stores import data_folder, named_store
from api.commands.token_said import add_token_option, token_for

if TYPE_CHECKING:
    from api.answers.loading import Loaded
    from api.answers.notebook import Notebook
    from api.commands import Subparsers
    from api.http import Token


_SAY_FOR_ALL: Final = "--machine, --method, --unit, --strip-side and --dates"


def add(subparsers: Subparsers) -> None:
    command = subparsers.add_parser(
        "load",
        help="old measurements from a notebook kept as CSV",
        description="Load old measurements: a CSV file with one row a strip and a heading over"
        " each column: date, machine, method, cut length, thickness, unit, strip side, and the"
        " readings by their place (fence end, open end, ...) or as reading 1, reading 2; the stop"
        " and its nominal angle, visit and work where there are such. Commas,"
        " semicolons or tabs between the cells; decimal point or comma. Loading the same file"
        " again adds nothing. Lines that can't be taken are listed and stop no others; so are"
        " lines that are taken and hold a reading that can hardly be right. The exit status is 1"
        " where every line is refused.",
    )
    command.add_argument("file", type=Path, metavar="FILE")
    command.add_argument("--dry-run", action="store_true", help="only say what would be loaded")
    command.add_argument("--strict", action="store_true", help="load nothing if a line is refused")
    command.add_argument("--machine", metavar="NAME", help="where no column says it")
    command.add_argument("--method", help="where no column says it, such as reversal")
    command.add_argument("--unit", choices=("mm", "in"), help="where no column says it")
    command.add_argument(
        "--strip-side",
        choices=("left", "right"),
        default="left",
        help="where the strip fell, if no column says it (%(default)s)",
    )
    command.add_argument(
        "--dates",
        choices=("ymd", "dmy", "mdy"),
        default="ymd",
        help="how dates such as 3/5/2024 are meant",
    )
    command.add_argument(
        "--data", type=Path, metavar="DIR", help="folder of the store (default: yours, by platform)"
    )
    command.add_argument("--db", metavar="URL", help="the store by its database URL")
    command.add_argument("--to", metavar="URL", help="a running server instead: http://HOST:PORT")
    add_token_option(command)
    add_fingerprint_option(command)


def run(args: argparse.Namespace) -> int:
    from analysis.sentences import cuts
    from api.answers.notebook import LARGEST, UnreadableNotebook
    from api.exports.sources import NoSuchQuestion, PullFailed
    from api.store.engine import StoreError

    if sum(each is not None for each in (args.data, args.db, args.to)) > 1:
        fail("give one of --data, --db and --to, not several")
    token = token_for(args, args.to)
    load = partial(_at_server, token=token) if args.to else _here
    try:
        with args.file.open("rb") as file:
            data = file.read(LARGEST + 1)
        done = load(args, data)
    except OSError as error:
        fail(f"{args.file} cannot be read ({error.strerror})")
    except UnreadableNotebook as error:
        fail(f"{args.file}: {error}")
    except NoSuchQuestion as error:
        fail(str(error))
    except (PullFailed, StoreError) as error:
        print(f"bothends: {error}", file=sys.stderr)
        return 1
    for refused in done["refused"]:
        print(f"line {refused['line']}: {refused['reason']}", file=sys.stderr)
    # A server of an earlier version does not look for them.
    for told in done.get("suspicious", []):
        print(f"line {told['line']}, taken: {told['reason']}; look at it again", file=sys.stderr)
    if done["unused_columns"]:
        print(f"columns not used: {', '.join(done['unused_columns'])}", file=sys.stderr)
    lines = f"{len(done['refused'])} line{'' if len(done['refused']) == 1 else 's'}"
    if args.strict and done["refused"] and not args.dry_run:
        print(f"bothends: {lines} refused, so nothing was loaded", file=sys.stderr)
        return 1
    would = "would be " if args.dry_run else ""
    print(
        f"{cuts(done['trials'])} ({cuts(done['readings'], 'reading')}) {would}loaded,"
        f" {done['known']} known already, {lines} refused"
    )
    if not done["refused"] or done["trials"] or done["known"]:
        return 0
    print(
        "bothends: every line is refused, so nothing was loaded; what all lines lack,"
        f" {_SAY_FOR_ALL} say for the whole file; then load it again",
        file=sys.stderr,
    )
    return 1


def _here(args: argparse.Namespace, data: bytes) -> dict[str, Any]:
    """As the server would answer it, on a store of this computer."""
    from sqlalchemy.exc import DBAPIError

    from api.answers.loading import Loaded, load
    from api.answers.methods import all_methods
    from api.answers.notebook import Defaults, read_notebook
    from api.answers.notebook_names import named_in
    from api.exports.sources import PullFailed
    from api.settings import Settings
    from api.store.engine import file_in
    from api.store.journal import Journal
    from api.store.opening import open_store

    settings = Settings(data=data_folder(args), db=named_store(args.db, args.data))
    defaults = Defaults(args.machine, args.method, args.unit, args.strip_side, args.dates)
    book = None
    if settings.db is None and not file_in(settings.data).exists():
        # No store is made where nothing is loaded, or where the file turns out to be no notebook.
        book = read_notebook(data, defaults, all_methods(None, settings.data))
        if _only_asked(args, book) or not book.lines:
            readings = sum(len(line.readings) for line in book.lines)
            return _answer(Loaded(len(book.lines), readings, 0, ()), book)
    engine = open_store(settings)
    try:
        if book is None:
            with engine.connect() as connection:
                methods = all_methods(connection, settings.data)
                named = named_in(connection)
            book = read_notebook(data, defaults, methods, named)
        done = load(engine, Journal(engine), book.lines, _only_asked(args, book))
    except DBAPIError as error:
        raise PullFailed(
            f"the store did not take it ({error.orig}); load the same again, what is there stays"
        ) from None
    finally:
        engine.dispose()
    return _answer(done, book)


def _only_asked(args: argparse.Namespace, book: Notebook) -> bool:
    """Whether nothing is to be stored."""
    return args.dry_run or bool(args.strict and book.refused)


def _answer(done: Loaded, book: Notebook) -> dict[str, Any]:
    from api.answers.suspicious import suspicious_lines

    return {
        "trials": done.trials,
        "readings": done.readings,
        "known": done.known,
        "refused": [refused._asdict() for refused in book.refused],
        "unused_columns": book.unused,
        "suspicious": [each._asdict() for each in suspicious_lines(book.lines)],
    }


def _at_server(args: argparse.Namespace, data: bytes, token: Token) -> dict[str, Any]:
    from contextlib import closing

    from api.exports.sources import ServerSource

    asked = {
        "machine": args.machine,
        "method": args.method,
        "unit": args.unit,
        "strip_side": args.strip_side,
        "dates": args.dates,
    }
    given = {name: value for name, value in asked.items() if value is not None}
    fingerprint = fingerprint_for(args, args.to)
    with closing(
        ServerSource(args.to, token=token, fingerprint=fingerprint, may="--may run")
    ) as server:

        def load(dry_run: bool) -> dict[str, Any]:
            query = urlencode(given | {"dry_run": str(dry_run).lower()})
            done: dict[str, Any] = server.post(f"/api/load?{query}", data, "text/csv")
            return done

        # Where a refused line must stop everything, what is refused is asked first.
        done = load(args.dry_run or args.strict)
        if args.strict and not args.dry_run and not done["refused"]:
            done = load(False)
    return done
