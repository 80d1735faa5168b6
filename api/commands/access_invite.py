"""`bothends access invite`: a code that lets one device in."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, Final, TextIO

from api.commands import fail
from api.commands.passes import add_bench, add_data, add_may, benches, book_in, name_said

if TYPE_CHECKING:
    from api.access.book import Book
    from api.access.rungs import Rung
    from api.commands import Subparsers

# Its blocks are the light modules (ECMA-48, 8.3.117: SGR).
_WHITE_ON_BLACK: Final = "\x1b[97;40m"
_AS_BEFORE: Final = "\x1b[0m"


def add(subparsers: Subparsers) -> None:
    command = subparsers.add_parser(
        "invite",
        help="let one more device in, by a code",
        description="Prints an address that lets one device in, and on a terminal its QR code. It"
        " holds for 10 minutes and is used once.",
    )
    add_may(command, "run")
    command.add_argument(
        "--name",
        metavar="NAME",
        type=name_said,
        help="what the device is called (default: the device says)",
    )
    add_bench(command)
    add_data(command)


def run(args: argparse.Namespace) -> int:
    from api.access.book import AccessError
    from api.access.rungs import RUNGS

    kept_to = benches(args)
    try:
        invite(book_in(args, make=True), RUNGS[args.may], sys.stdout, args.name, kept_to)
    except AccessError as error:
        fail(str(error))
    return 0


def at_start(book: Book, address: str | None, command: str, out: TextIO) -> None:
    """Say at the start of a server on a network how somebody gets in. On a terminal that is an
    invitation itself, for who started the server; elsewhere it would stand in a log.

    address: where other devices reach it, with its final slash; None where that is not known.
    command: what makes an invitation.
    """
    from api.access.rungs import Rung

    if address is not None:
        book.reached_at(address)
    if out.isatty():
        print("bothends: only who is invited gets in from other computers:", file=out)
        invite(book, Rung.ADMIN, out)
    else:
        print(
            f"bothends: only who is invited gets in from other computers; invite by: {command}",
            file=out,
            flush=True,
        )


def invite(
    book: Book,
    rung: Rung,
    out: TextIO,
    name: str | None = None,
    kept_to: list[str] | None = None,
) -> None:
    """Print an invitation: its address, or its code where no server has said yet where it is
    reached; on a terminal its QR code too."""
    from api.access.book import INVITED_FOR_S
    from api.access.codes import as_shown, with_code
    from api.web.pages.shared.addresses import bench_page

    made, code = book.invite(rung, name, kept_to)
    address = book.address()
    if address is None:
        print(
            f"open the server's address on the device, and type this code there: {as_shown(code)}",
            file=out,
        )
        print(
            f"it opens a server that keeps to {book.folder} alone; where yours keeps to another"
            " folder, name that with --data",
            file=out,
        )
    else:
        if kept_to:
            # Elsewhere it would be refused what it is let in for.
            address = address.removesuffix("/") + bench_page(kept_to[0])
        address = with_code(address, code)
        if out.isatty():
            _draw(address, out)
        print(address, file=out)
    print(
        f"lets one device in, to {made.rung.word}; it holds for {INVITED_FOR_S // 60} minutes and"
        " is used once",
        file=out,
        flush=True,
    )


def _draw(text: str, out: TextIO) -> None:
    """The QR code of `text`, dark on light whatever the colours of the terminal are."""
    import io

    import segno

    drawn = io.StringIO()
    segno.make(text, micro=False).terminal(out=drawn, compact=True)
    for line in drawn.getvalue().splitlines():
        print(f"{_WHITE_ON_BLACK}{line}{_AS_BEFORE}", file=out)
