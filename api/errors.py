"""Errors in what was asked, with their facts as fields; every package may raise them.

`web.problems` turns them into HTTP answers; a command prints their sentence.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from difflib import SequenceMatcher
from typing import Final

# So many names are listed in a sentence.
_LISTED: Final = 8


class InvalidField(ValueError):
    """A field that can't be right; `message` says what is allowed."""

    def __init__(self, field: str, message: str) -> None:
        super().__init__(f"{field}: {message}")
        self.field = field
        self.message = message


class NotFound(LookupError):
    """What was asked for is not there; the message says what is."""


def none_called(what: str, named: object, known: Sequence[str]) -> NotFound:
    """The error that none of what is `known` by these names has the one that was said."""
    if not known:
        there = "there is none yet"
    elif len(known) <= _LISTED:
        there = f"there is {known[0]}" if len(known) == 1 else f"there are {', '.join(known)}"
    else:
        there = f"of the {len(known)} the nearest is {nearest(str(named), known)}"
    return NotFound(f"there is no {what} {named}; {there}")


class Conflict(Exception):
    """What was asked can't be done in the present state; the message says what to do first."""


def nearest(word: str, known: Iterable[str], least: float = 0) -> str | None:
    """Of the names that are known the one that `word` is most like; None where none is as like as
    `least`, from 0 (nothing in common) to 1 (the same)."""
    meant = word.casefold()
    like = [(SequenceMatcher(None, meant, each.casefold()).ratio(), each) for each in known]
    found = max(like, key=lambda each: each[0], default=None)
    return None if found is None or found[0] < least else found[1]
