"""What `access` and `token` share: the book of a data folder, and how its passes are shown."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from api.access.names import alike
from api.access.rungs import MAY, OF_A_BENCH, RUNGS
from api.commands import fail
from api.commands.stores import check_ours, data_folder

if TYPE_CHECKING:
    from api.access.book import Book, Invitation, Kind, Pass

_RUNG_HELP: Final = "; ".join(f"{rung}: {what}" for rung, what in MAY.items())


def add_data(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--data",
        type=Path,
        metavar="DIR",
        help="folder of the server's store (default: the one that serve would use)",
    )


def add_may(command: argparse.ArgumentParser, default: str | None) -> None:
    command.add_argument(
        "--may",
        choices=tuple(RUNGS),
        required=default is None,
        default=default,
        help=f"what it may ({default}); {_RUNG_HELP}" if default else _RUNG_HELP,
    )


def add_bench(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--bench",
        action="append",
        metavar="NAME",
        help=f"with --may {OF_A_BENCH.word}: the bench whose readings it may send, and no other's;"
        " repeat for more",
    )


def add_with_invited(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--with-invited",
        action="store_true",
        help="end also whom it let in, whom these let in, and so on",
    )


def benches(args: argparse.Namespace) -> list[str] | None:
    """The benches that --bench names. Ends the command where they can't be right."""
    if args.bench is None:
        return None
    if args.may != OF_A_BENCH.word:
        fail(f"--bench is for --may {OF_A_BENCH.word}; {args.may} is not kept to a bench")
    from capture.errors import SpecError
    from capture.spec import parse_spec

    for name in args.bench:
        try:
            # As the bench of a SPEC, so that both hold to one rule.
            parse_spec(f"stdin:,bench={name.replace(',', ',,')}")
        except SpecError:
            fail(
                f"--bench {name!r} can't be a bench's name; give 1 to 64 letters, digits, dots,"
                " dashes or underscores, the first a letter or digit"
            )
    return list(args.bench)


def name_said(text: str) -> str:
    """A name of a pass, as argparse's `type`. Ends the command where it can't be one."""
    from api.access.book import LONGEST_NAME

    name = " ".join(text.split())
    if not name or len(name) > LONGEST_NAME or not name.isprintable():
        fail(f"{text[:80]!r} can't be a name; give 1 to {LONGEST_NAME} letters, such as 'bench 2'")
    return name


@contextmanager
def trouble_said() -> Iterator[None]:
    """Ends the command with a sentence where the book can't be used."""
    from api.access.book import AccessError

    try:
        yield
    except AccessError as error:
        fail(str(error))


def book_in(args: argparse.Namespace, make: bool = False) -> Book:
    """The book of the data folder, whose folder may be made for a server that starts later. Ends
    the command with a sentence where it can't be used."""
    from api.access.book import Book

    folder = data_folder(args)
    try:
        if not make and not folder.is_dir():
            fail(
                f"no server has kept anything in {folder} yet; start it once, or name its folder"
                " with --data"
            )
        check_ours(folder)
        with trouble_said():
            return Book(folder)
    except OSError as error:
        fail(f"{error.filename or folder} cannot be read ({error.strerror}); run this as its owner")


def show(passes: Sequence[Pass], invitations: Sequence[Invitation] = ()) -> None:
    """Print a line for each."""
    rows = [("name", "kind", "may", "bench", "last used", "made", "invited by", "id")]
    rows += [
        (
            each.name,
            each.kind,
            each.rung.word,
            ", ".join(each.benches or ()) or "-",
            "never" if each.last_used_at is None else _when(each.last_used_at),
            _when(each.made_at),
            _by(each),
            each.id,
        )
        for each in passes
    ]
    rows += [
        (each.name or "-", "invitation", each.rung.word, ", ".join(each.benches or ()) or "-", "-",
         f"until {_when(each.until)}", _by(each), each.id)
        for each in invitations
    ]  # fmt: skip
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        print(
            "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        )


@trouble_said()
def revoke(args: argparse.Namespace, kind: Kind | None) -> int:
    """End what `args.name` names: a pass or, of no kind, an invitation too; by its id or its name,
    which may differ in case and spaces where that leaves one."""
    book = book_in(args)
    there = [each for each in book.passes() if kind in (None, each.kind)]
    ended = (*there, *(() if kind else book.invitations()))
    of_kind = [each for each in ended if args.name in (each.id, each.name)] or [
        each for each in ended if alike(each.name or "") == alike(args.name)
    ]
    if not of_kind:
        what = "token" if kind else "device, token or invitation"
        fail(f"there is no {what} {args.name}; bothends access list names all")
    if len(of_kind) > 1:
        ids = ", ".join(each.id for each in of_kind)
        fail(f"several are called {args.name}; give one by its id: {ids}")
    (found,) = of_kind
    let_in = ", ".join(each.name for each in book.let_in_by(found.id))
    book.revoke(found.id, args.with_invited)
    print(f"{found.name or found.id} is not let in any more; what was done by it stays")
    if let_in and args.with_invited:
        print(f"nor are those that came in through it: {let_in}")
    elif let_in:
        print(f"it had invited these, which stay until they are revoked too: {let_in}")
    return 0


def _by(found: Pass | Invitation) -> str:
    return found.invited_by.name if found.invited_by else "-"


def _when(moment: float) -> str:
    return datetime.fromtimestamp(moment).astimezone().strftime("%Y-%m-%d %H:%M")
