"""What the commands on a store share."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from api.commands import fail
from api.commands.settings_said import DB_HELP, Said

if TYPE_CHECKING:
    from sqlalchemy import Engine


def add_store_options(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--data", type=Path, metavar="DIR", help="folder of the store (default: yours, by platform)"
    )
    command.add_argument("--db", metavar="URL", help=DB_HELP)


def file_name(text: str) -> Path:
    """The path that an option names, as argparse's `type`. Ends the command where it is no file's:
    nothing, as an unset variable of a script gives it, or only a folder."""
    path = Path(text)
    if not path.name:
        fail(f"{text!r} is not the name of a file; give one such as shop-copy.sqlite")
    return path


def store_url(args: argparse.Namespace) -> str:
    """The URL that --data or --db name."""
    from api.store.engine import sqlite_url

    return named_store(args.db, args.data) or sqlite_url(data_folder(args))


def data_folder(args: argparse.Namespace) -> Path:
    """The data folder that --data names, else the one that `serve` would use."""
    folder: Path | None = args.data or Said({}).get("data")
    return folder or own_folder()


def check_ours(folder: Path) -> None:
    """End the command where `folder` is another's: what writes there makes it private, which would
    shut everybody else out of a home folder or /tmp. Raises OSError."""
    from api.store.private import OURS

    if not folder.is_dir() or not any(folder.iterdir()):
        return
    # The demo's own folder lies in the user's.
    if not any(any(folder.glob(pattern)) for pattern in (*OURS, "pretend")):
        fail(f"{folder} is not a data folder of bothends; name the server's with --data")


def own_folder() -> Path:
    """The user's own data folder. Ends the command for a user without a home."""
    from api.settings import user_data

    try:
        return user_data()
    except RuntimeError:
        fail("this user has no home folder; say with --data where the store is")


def named_store(db: str | None, data: Path | None = None) -> str | None:
    """The URL that `db` gives, else the environment or the settings file; None where it is the
    file in the data folder.

    A folder that is given means the store in it, whatever is said elsewhere. Ends the command
    where a file that `db` names can't be read.
    """
    from api.errors import InvalidField
    from api.store.urls import database_url

    url = db or (Said({}).get("db") if data is None else None)
    try:
        return None if url is None else database_url(url)
    except InvalidField as error:
        fail(error.message)


def open_existing(url: str) -> Engine:
    """The engine of a store that exists already; nothing is created.

    Raises StoreError where there is none, or another program's database.
    """
    from api.store.engine import StoreError, open_engine, sqlite_file
    from api.store.place import look
    from api.store.restoring import refuse_unfinished

    engine = open_engine(url)
    path = sqlite_file(engine.url)
    if path is not None:
        refuse_unfinished(path)
    if path is not None and look(path).state == "nothing":
        raise StoreError(f"there is no store at {path}; give its folder with --data, or its URL")
    return engine


class ShowProgress(Protocol):
    """Called with how much is done, of how much (0 where that is not known), and of what."""

    def __call__(self, done: int, whole: int, what: str = "") -> None: ...


@contextmanager
def progress() -> Iterator[ShowProgress]:
    """A progress bar on one line of a terminal; nothing elsewhere."""
    shown = sys.stderr.isatty()
    last = ""

    def show(done: int, whole: int, what: str = "") -> None:
        nonlocal last
        line = f"{_bar(done / whole)} {what}".rstrip() if whole else what
        if shown and line != last:
            last = line
            print(f"\r{line}\x1b[K", end="", file=sys.stderr, flush=True)

    try:
        yield show
    finally:
        if shown:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)


_WIDTH = 30


def _bar(share: float) -> str:
    # The expected total may be a little too high or too low.
    share = min(1.0, share)
    full = round(share * _WIDTH)
    return f"[{'#' * full}{'.' * (_WIDTH - full)}] {share:4.0%}"


def failed(sentence: object) -> int:
    """Say what went wrong, and what to do; the exit status."""
    print(f"bothends: {sentence}", file=sys.stderr)
    return 1
