"""Errors in what was asked, with their facts as fields; every package may raise them.

`web.problems` turns them into HTTP answers; a command prints their sentence.
"""

from __future__ import annotations

from collections.abc import Sequence
from difflib import SequenceMatcher


class InvalidField(ValueError):
    """A field that can't be right; `message` says what is allowed."""

    def __init__(self, field: str, message: str) -> None:
        super().__init__(f"{field}: {message}")
        self.field = field
        self.message = message


class NotFound(LookupError):
    """What was asked for is not there; the message says what is."""


class Conflict(Exception):
    """What was asked can't be done in the present state; the message says what to do first."""


def nearest(word: str, known: Sequence[str]) -> str:
    """Of the names that are known, at least one, the one that `word` is most like."""
    meant = word.casefold()
    return max(known, key=lambda each: SequenceMatcher(None, meant, each.casefold()).ratio())
