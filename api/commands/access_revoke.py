"""`bothends access revoke`: end what lets somebody in."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from api.commands.passes import add_data, add_with_invited, revoke

if TYPE_CHECKING:
    from api.commands import Subparsers


def add(subparsers: Subparsers) -> None:
    command = subparsers.add_parser(
        "revoke",
        help="let a device or token in no more",
        description="Ends a device's or token's access, or an invitation, at once. What was done"
        " by it stays.",
    )
    command.add_argument("name", metavar="NAME", help="its name, or its id")
    add_with_invited(command)
    add_data(command)


def run(args: argparse.Namespace) -> int:
    return revoke(args, None)
