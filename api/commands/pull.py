"""`bothends pull`: the history into a file or a pipe, and from then on what is new."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

from api.commands import fail
from api.commands.fingerprint_said import add_fingerprint_option, fingerprint_for
from api.commands.stores import data_folder, failed, file_name, named_store, progress
from api.commands.token_said import add_token_option, token_for

if TYPE_CHECKING:
    from api.commands import Subparsers
    from api.exports.sources import PullSource
    from api.http import Token

_OUTPUT: Final = Path("-")
_BINARY: Final = ("xlsx", "parquet", "zip")


def add(subparsers: Subparsers) -> None:
    command = subparsers.add_parser(
        "pull",
        help="the history into a file or a pipe, and from then on what is new",
        description="Write the history to FILE, from a running server or straight from a store."
        " FILE.cursor beside it remembers how far it has come: the next time only what is new is"
        " pulled. CSV and JSON Lines files are added to, and of several rows with one id the last"
        " counts; other files are rewritten. Prints nothing when all is well. With --to - it goes"
        " to standard output, whole, or with --cursor only what is new. With --follow it gives"
        " each event of a bench as one line of JSON, as it happens, until Ctrl-C: a file gets each"
        " once; a pipe at least once, where --cursor remembers how far it has come.",
    )
    command.add_argument("url", metavar="URL", nargs="?", help="a server: http://HOST:PORT")
    add_token_option(command)
    add_fingerprint_option(command)
    command.add_argument(
        "--data", type=Path, metavar="DIR", help="folder of a store (default: yours, by platform)"
    )
    command.add_argument("--db", metavar="URL", help="a store by its database URL")
    command.add_argument(
        "--to",
        type=Path,
        metavar="FILE",
        required=True,
        help="its ending says the format: .csv, .jsonl, .xlsx, .parquet, .senml or .zip; - is"
        " standard output",
    )
    command.add_argument(
        "--format",
        choices=("csv", "jsonl", "xlsx", "parquet", "senml", "zip"),
        help="the format on standard output (default: csv)",
    )
    command.add_argument(
        "--cursor",
        type=file_name,
        metavar="FILE",
        help="with --to -: the file that remembers how far it has come",
    )
    command.add_argument(
        "--what",
        choices=("trials", "readings"),
        help="which table (default: trials; a .senml holds readings, a .zip everything)",
    )
    command.add_argument("--machine", help="only this machine: its id or name")
    command.add_argument("--method", help="only this method, such as reversal")
    command.add_argument("--since", metavar="MOMENT", help="only taken at or after, in UTC")
    command.add_argument(
        "--follow", action="store_true", help="each event of a bench, as it happens"
    )
    command.add_argument(
        "--bench", metavar="NAME", help="the bench that --follow follows (default: main)"
    )
    command.add_argument(
        "--after",
        type=int,
        metavar="N",
        help="where --follow begins the first time: after event number N, 0 before all"
        " (default: with what happens from now on)",
    )


def run(args: argparse.Namespace) -> int:
    from contextlib import closing

    from api.exports.extras import MissingExtra
    from api.exports.pulled_file import pull_to, since_text
    from api.exports.pulled_through import pull_through
    from api.exports.sources import NoSuchQuestion, PullFailed, Question
    from api.store.engine import StoreError

    if args.follow:
        from api.commands.following import follow

        return follow(args, _token(args))
    if args.bench is not None or args.after is not None:
        fail("--bench and --after are for --follow")
    form = _form(args)
    what = _what(args, form)
    try:
        since = None if args.since is None else since_text(args.since)
        question = Question(what, args.machine, args.method, since)
        if args.to == _OUTPUT:
            with closing(_source(args)) as source:
                pull_through(sys.stdout.buffer, form, source, question, args.cursor)
            return 0
        with progress() as show, closing(_source(args)) as source:

            def received(size: int, lines: int, rows: int | None) -> None:
                show(lines, rows or 0, f"{size / 1e6:,.1f} MB")

            pull_to(args.to, source, question, received)
    except (NoSuchQuestion, MissingExtra) as error:
        fail(str(error))
    except (PullFailed, StoreError, ValueError) as error:
        return failed(error)
    return 0


def _token(args: argparse.Namespace) -> Token:
    """The token for the server that is asked. A pull that goes on says no more who may overhear it:
    it prints nothing when all is well."""
    from api.exports.pull_state import beside

    cursor: Path | None = args.cursor or (None if args.to == _OUTPUT else beside(args.to))
    return token_for(args, args.url, told=cursor is not None and cursor.exists())


def _form(args: argparse.Namespace) -> str:
    """The format that the options ask for. Ends the command where they do not fit."""
    from api.exports.pulled_file import ENDINGS

    file: Path = args.to
    if file == _OUTPUT:
        form: str = args.format or "csv"
        if form in _BINARY and sys.stdout.isatty():
            fail(f"--format {form} is no text; send it to a file or a command, not to a terminal")
        _folder_is_there("--cursor", args.cursor)
        return form
    if args.format is not None or args.cursor is not None:
        fail(
            "--format and --cursor are for --to -; the ending of a file says its format, and"
            " FILE.cursor remembers how far it has come"
        )
    ending = file.suffix.lower().lstrip(".")
    if ending not in ENDINGS:
        fail(f"--to {file}: end the name with .{', .'.join(ENDINGS)}")
    _folder_is_there("--to", file)
    return ending


def _folder_is_there(option: str, file: Path | None) -> None:
    if file is not None and not file.parent.is_dir():
        fail(f"{option} {file}: there is no folder {file.parent}; make it first")


def _what(args: argparse.Namespace, form: str) -> str:
    """The table, or `history`, that the options ask for. Ends the command where they do not fit."""
    if form == "zip" and args.what is not None:
        fail("--what: a .zip holds everything; leave it out")
    if form == "senml" and args.what == "trials":
        fail("--what trials: SenML is for readings; leave it out")
    default = {"zip": "history", "senml": "readings"}.get(form, "trials")
    return args.what or default


def _source(args: argparse.Namespace) -> PullSource:
    from api.exports.sources import PullFailed, ServerSource, StoreSource
    from api.settings import Settings
    from api.store.engine import file_in
    from api.store.opening import open_store
    from api.store.urls import shown

    if sum(each is not None for each in (args.url, args.data, args.db)) > 1:
        fail("give one of URL, --data and --db, not several")
    token, fingerprint = _token(args), fingerprint_for(args, args.url)
    if args.url is not None:
        return ServerSource(args.url, token=token, fingerprint=fingerprint)
    data = data_folder(args)
    # Opening it would create an empty store.
    db = named_store(args.db, args.data)
    if db is None and not file_in(data).exists():
        raise PullFailed(f"there is no store in {data}; give its folder with --data")
    engine = open_store(Settings(data=data, db=db))
    return StoreSource(engine, shown(db) if db else str(data.resolve()))
