"""Where a name still is that was given up."""

from __future__ import annotations

from starlette.types import Scope

from api.web.visitors import book_of

_COPIES = (
    "Backups, and what was pulled or read before, still say it; the daily backups are gone after"
    " their time, other copies are yours to remove or to make anew."
)
_NOTES = "Notes and reasons stay as they were typed; look there too."


def still_called(scope: Scope, name: str) -> list[str]:
    """Sentences that say where `name` still is, and what to do about it."""
    book = book_of(scope)
    passes = [] if book is None else [each for each in book.passes() if each.name == name]
    said = [
        f"A {each.kind} that is let in is called {name} too, and what is done through it will be"
        " under this name again: revoke it, and let it in by another one."
        for each in passes
    ]
    return [*said, _COPIES, _NOTES]
