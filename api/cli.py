"""The `bothends` command: parses the arguments and runs the module of the command.

Only argparse is imported here and in the commands' `add`, so that --help answers at once.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Final

from api import VERSION

COMMANDS: Final = (
    "serve",
    "bench",
    "instruments",
    "listen",
    "pretend",
    "pull",
    "load",
    "correct",
    "backup",
    "restore",
    "doctor",
    "move",
    "install",
    "access",
    "token",
    "completion",
)


# Files that these commands write are readable by the user alone. (Others write where told to.)
_PRIVATE: Final = frozenset(
    ("serve", "bench", "load", "correct", "backup", "restore", "doctor", "move", "access", "token")
)


def parser() -> argparse.ArgumentParser:
    """The command line's grammar."""
    top = argparse.ArgumentParser(
        prog="bothends",
        description="Takes a caliper's readings at the saw, pairs them into trials, and says how"
        " square, how repeatable and how trustworthy each machine is.",
    )
    top.add_argument("--version", action="version", version=f"bothends {VERSION}")
    commands = top.add_subparsers(
        title="commands", dest="command", required=True, metavar="COMMAND"
    )
    for name in COMMANDS:
        import_module(f"api.commands.{name}").add(commands)
    return top


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command. The exit status: 0 done, 2 the command can't be right, else 1."""
    args = parser().parse_args(argv)
    # Given back at the end: a caller of this function makes files of its own.
    before = os.umask(0o077) if args.command in _PRIVATE else None
    try:
        status: int = import_module(f"api.commands.{args.command}").run(args)
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # The reader of the output is gone; this avoids a second error message at exit.
        sys.stderr.close()
        return 1
    finally:
        if before is not None:
            os.umask(before)
    return status


if __name__ == "__main__":
    raise SystemExit(main())
