"""`bothends pull`: the history into a file, and from then on what is new."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from api.commands import fail
from api.commands.stores import failed, named_store, progress

if TYPE_CHECKING:
    from api.commands import Subparsers
    from api.exports.sources import PullSource


def add(subparsers: Subparsers) -> None:
    command = subparsers.add_parser(
        "pull",
        help="the history into a file, and from then on what is new",
        description="Write the history to FILE, from a running server or straight from a store."
        " FILE.cursor beside it remembers how far it has come: the next time only what is new is"
        " pulled. CSV and JSON Lines files are added to, and of several rows with one id the last"
        " counts; other files are rewritten. Prints nothing when all is well.",
    )
    command.add_argument("url", metavar="URL", nargs="?", help="a server: http://HOST:PORT")
    command.add_argument(
        "--data", type=Path, metavar="DIR", help="folder of a store (default: yours, by platform)"
    )
    command.add_argument("--db", metavar="URL", help="a store by its database URL")
    command.add_argument(
        "--to",
        type=Path,
        metavar="FILE",
        required=True,
        help="its ending says the format: .csv, .jsonl, .xlsx, .parquet or .zip",
    )
    command.add_argument(
        "--what",
        choices=("trials", "readings"),
        help="which table (default: trials; a .zip holds everything)",
    )
    command.add_argument("--machine", help="only this machine: its id or name")
    command.add_argument("--method", help="only this method, such as reversal")
    command.add_argument("--since", metavar="MOMENT", help="only taken at or after, in UTC")


def run(args: argparse.Namespace) -> int:
    from contextlib import closing

    from api.exports.extras import MissingExtra
    from api.exports.pulled_file import ENDINGS, pull_to, since_text
    from api.exports.sources import NoSuchQuestion, PullFailed, Question
    from api.store.engine import StoreError

    file: Path = args.to
    ending = file.suffix.lower().lstrip(".")
    if ending not in ENDINGS:
        fail(f"--to {file}: end the name with .{', .'.join(ENDINGS)}")
    if not file.parent.is_dir():
        fail(f"--to {file}: there is no folder {file.parent}; make it first")
    if ending == "zip" and args.what is not None:
        fail("--what: a .zip holds everything; leave it out")
    what = "history" if ending == "zip" else args.what or "trials"
    try:
        since = None if args.since is None else since_text(args.since)
        question = Question(what, args.machine, args.method, since)
        with progress() as show, closing(_source(args)) as source:

            def received(size: int, lines: int, rows: int | None) -> None:
                show(lines, rows or 0, f"{size / 1e6:,.1f} MB")

            pull_to(file, source, question, received)
    except (NoSuchQuestion, MissingExtra) as error:
        fail(str(error))
    except (PullFailed, StoreError, ValueError) as error:
        return failed(error)
    return 0


def _source(args: argparse.Namespace) -> PullSource:
    from api.exports.sources import PullFailed, ServerSource, StoreSource
    from api.settings import Settings, user_data
    from api.store.engine import file_in
    from api.store.opening import open_store
    from api.store.urls import shown

    if sum(each is not None for each in (args.url, args.data, args.db)) > 1:
        fail("give one of URL, --data and --db, not several")
    if args.url is not None:
        return ServerSource(args.url)
    data: Path = args.data or user_data()
    # Opening it would create an empty store.
    db = named_store(args.db, args.data)
    if db is None and not file_in(data).exists():
        raise PullFailed(f"there is no store in {data}; give its folder with --data")
    engine = open_store(Settings(data=data, db=db))
    return StoreSource(engine, shown(db) if db else str(data.resolve()))
