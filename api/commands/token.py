"""`bothends token`: what programs show to be let in."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from api.commands import fail
from api.commands.passes import (
    add_bench,
    add_data,
    add_may,
    add_with_invited,
    benches,
    book_in,
    name_said,
    revoke,
    show,
    trouble_said,
)

if TYPE_CHECKING:
    from api.commands import Subparsers


def add(subparsers: Subparsers) -> None:
    command = subparsers.add_parser(
        "token",
        help="let programs on other computers in",
        description="Makes, lists and ends the tokens with which programs on other computers are"
        " let in: a bench, a pull, a program of your own.",
    )
    below = command.add_subparsers(
        title="commands", dest="token_command", required=True, metavar="COMMAND"
    )
    made = below.add_parser(
        "add",
        help="make a token",
        description="Prints a token, once: only its hash is kept. Put it into a file that only its"
        " program can read, for --token-file.",
    )
    made.add_argument("name", metavar="NAME", type=name_said, help="what it is called in lists")
    add_may(made, None)
    add_bench(made)
    add_data(made)
    add_data(below.add_parser("list", help="all tokens", description="Prints all tokens."))
    ended = below.add_parser(
        "revoke", help="end a token", description="Ends a token at once. What was done by it stays."
    )
    ended.add_argument("name", metavar="NAME", help="its name, or its id")
    add_with_invited(ended)
    add_data(ended)


@trouble_said()
def run(args: argparse.Namespace) -> int:
    if args.token_command == "revoke":
        return revoke(args, "token")
    if args.token_command == "list":
        show([each for each in book_in(args).passes() if each.kind == "token"])
        return 0
    from api.access.book import Taken
    from api.access.rungs import RUNGS

    kept_to = benches(args)
    try:
        _, token = book_in(args, make=True).add_token(args.name, RUNGS[args.may], kept_to)
    except Taken:
        fail(
            f"{args.name} is let in already, or a name that looks the same; give another name, or"
            " revoke that one first"
        )
    print(token)
    print(
        "bothends: this is shown once; put it into a file with mode 0600, and give that with"
        " --token-file",
        file=sys.stderr,
    )
    return 0
