"""The subcommands of `bothends`, one module each.

A module offers `add(subparsers)`, which declares the command's options, and `run(args)`,
which does the work and returns the exit status. Heavy imports stand inside `run`, so
that `--help` answers at once.
"""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, NoReturn

if TYPE_CHECKING:
    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]


def fail(sentence: str) -> NoReturn:
    """End the command with exit status 2 and one sentence that says what to do."""
    print(f"bothends: {sentence}", file=sys.stderr)
    raise SystemExit(2)
