"""`bothends access list`: who is let in."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from api.commands.passes import add_data, book_in, show, trouble_said

if TYPE_CHECKING:
    from api.commands import Subparsers


def add(subparsers: Subparsers) -> None:
    command = subparsers.add_parser(
        "list",
        help="who is let in: devices, tokens, and invitations that nobody has used yet",
        description="Prints the devices and tokens that are let in, what each may and when it was"
        " last used, and the invitations that nobody has used yet.",
    )
    add_data(command)


@trouble_said()
def run(args: argparse.Namespace) -> int:
    book = book_in(args)
    show(book.passes(), book.invitations())
    return 0
