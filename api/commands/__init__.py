"""The subcommands of `bothends`, one module each.

A module offers `add(subparsers)`, which declares the command's options, and `run(args)`,
which does the work and returns the exit status. Heavy imports are inside `run`, so
that `--help` answers at once.
"""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, Final, NoReturn

if TYPE_CHECKING:
    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]

SPEC_OPTIONS: Final = "the options of a SPEC"
"""The epilog of a command that takes a SPEC, with `SpecHelp` as its formatter."""


class SpecHelp(argparse.HelpFormatter):
    """Help that ends with every option of a SPEC, looked up only when help is asked for."""

    def _format_text(self, text: str) -> str:
        return _spec_options(self._width) if text == SPEC_OPTIONS else super()._format_text(text)


def _spec_options(width: int) -> str:
    import textwrap

    from capture.spec import options

    lines = [
        "SPEC is serial:TARGET, hid:VID:PID, hid:PATH, keys:PATH or stdin:, and after it options"
        " as ,name=value (a comma that belongs to a value is written twice):"
    ]
    lines = textwrap.wrap(lines[0], width)
    for name, meaning, default in options():
        lines += textwrap.wrap(
            f"{meaning} [{default}]",
            width,
            initial_indent=f"  {name:<11}",
            subsequent_indent=" " * 13,
        )
    return "\n".join(lines) + "\n\n"


def plain(text: str) -> str:
    """`text` from outside as a terminal may show it: in one line, and without what it obeys."""
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)


def fail(sentence: str) -> NoReturn:
    """End the command with exit status 2 and one sentence that says what to do."""
    print(f"bothends: {sentence}", file=sys.stderr)
    raise SystemExit(2)
