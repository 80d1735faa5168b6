"""`bothends backup`: a copy of the store, made while it is in use, and checked."""

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
    open_existing,
    progress,
    store_url,
)

if TYPE_CHECKING:
    from sqlalchemy import URL

    from api.commands import Subparsers
    from api.store.backup import Checked


def add(subparsers: Subparsers) -> None:
    command = subparsers.add_parser(
        "backup",
        help="copy the store while it is in use, or check such a copy",
        description="Copies an SQLite store to one file, whole and of one moment, while a server"
        " may go on with it, and checks the copy; FILE.sha256 beside it holds its SHA-256. The"
        " remembered calipers (calipers.json) and your own methods (methods/*.toml) of the data"
        " folder are in it too, in the table backup_files. bothends restore puts such a copy in the"
        " place of the store; bothends serve makes one every day by itself. PostgreSQL"
        " has its own tools, which this names.",
    )
    add_store_options(command)
    what = command.add_mutually_exclusive_group(required=True)
    what.add_argument("--to", type=file_name, metavar="FILE", help="the new file")
    what.add_argument("--check", type=file_name, metavar="FILE", help="check a copy made earlier")


def run(args: argparse.Namespace) -> int:
    from api.store import backup
    from api.store.engine import StoreError

    try:
        if args.check is not None:
            _tell(args.check, backup.check(args.check))
            return 0
        engine = open_existing(store_url(args))
        if engine.dialect.name == "postgresql":
            fail(with_its_own_tools(engine.url, args.to))
        with progress() as show:
            made = backup.back_up(engine, args.to, show, data=data_folder(args))
        _tell(args.to, made)
    except StoreError as error:
        return failed(error)
    return 0


def _tell(path: Path, found: Checked) -> None:
    rows = ", ".join(f"{n} {name}" for name, n in found.counts.items() if n)
    files = ", ".join(file.name for file in found.files)
    parts = [
        f"step {found.step}",
        rows or "no rows yet",
        f"with {files}" if files else "no calipers.json and no methods of your own",
        *([f"made {found.made_at.astimezone():%Y-%m-%d %H:%M}"] if found.made_at else []),
        f"sha256 {found.sha256}",
    ]
    print(f"{path} is whole: {'; '.join(parts)}")


def with_its_own_tools(url: URL, to: Path) -> str:
    """How a PostgreSQL store is backed up, which this program leaves to PostgreSQL."""
    from shlex import quote

    from api.store.urls import shown

    # `set` takes None for what is to stay, and a hidden password would be given as it is shown.
    name = shown(url._replace(drivername="postgresql", password=None))
    return (
        "PostgreSQL is backed up with its own tools, while servers may go on:"
        f" pg_dump --format=custom --file={quote(str(to))} {quote(name)}"
        f"  and restored into an empty database with  pg_restore --dbname=URL {quote(str(to))}"
        "  (calipers.json and methods in the data folder are files: copy them as well)"
    )
