"""`bothends completion`: what lets a shell complete the commands and their options."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final

from api.commands import fail

if TYPE_CHECKING:
    from api.commands import Subparsers

_SHELLS: Final = ("bash", "zsh", "fish")


def add(subparsers: Subparsers) -> None:
    command = subparsers.add_parser(
        "completion",
        help="let the shell complete commands and options",
        description="Print the script by which a shell completes commands, options and names of"
        " files at the press of Tab. It goes into a file that the shell reads: for bash"
        " ~/.local/share/bash-completion/completions/bothends, for fish"
        " ~/.config/fish/completions/bothends.fish, for zsh _bothends in a folder of its fpath.",
    )
    command.add_argument("shell", choices=_SHELLS)


def run(args: argparse.Namespace) -> int:
    from api.cli import parser
    from api.exports.extras import MissingExtra, needed

    try:
        shtab: Any = needed("shtab", "Completion")
    except MissingExtra as error:
        fail(str(error))
    grammar = parser()
    for action in _actions(grammar):
        if action.metavar == "DIR":
            action.complete = shtab.DIRECTORY
        elif action.metavar == "FILE":
            action.complete = shtab.FILE
    print(shtab.complete(grammar, shell=args.shell))
    return 0


def _actions(parser: argparse.ArgumentParser) -> Iterator[Any]:
    """Of a parser and of those of its commands."""
    for action in parser._actions:
        yield action
        if isinstance(action, argparse._SubParsersAction):
            for each in action.choices.values():
                yield from _actions(each)
