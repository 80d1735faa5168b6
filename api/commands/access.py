"""`bothends access`: who may come in, and the certificate by which a browser knows this server."""

from __future__ import annotations

import argparse
from importlib import import_module
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from api.commands import Subparsers

_COMMANDS: Final = {
    "invite": "access_invite",
    "list": "access_list",
    "revoke": "access_revoke",
    "certificate": "access_certificate",
}
"""The module of each subcommand: with `add` and `run`, as a command has them."""


def add(subparsers: Subparsers) -> None:
    command = subparsers.add_parser(
        "access",
        help="let other devices in, see who is, and end it",
        description="Lets other devices in, says who is let in, and ends it.",
    )
    below = command.add_subparsers(
        title="commands", dest="access_command", required=True, metavar="COMMAND"
    )
    for module in _COMMANDS.values():
        import_module(f"api.commands.{module}").add(below)


def run(args: argparse.Namespace) -> int:
    module = import_module(f"api.commands.{_COMMANDS[args.access_command]}")
    status: int = module.run(args)
    return status
