"""Cursors: how far a pull has read.

A cursor is the number of the last event that the pull knew of, with a mark of that event.
A store that was put back from a backup gives the same numbers to other events; the mark
tells, so that nobody takes up an old thread in another history.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterable
from datetime import datetime
from typing import Final
from uuid import UUID

from sqlalchemy import Connection, Row, func, select

from api.store.tables import Event

START: Final = "0"
"""The cursor of a store in which nothing has happened."""
TOLD_BY: Final = {
    "trials": ("trial",),
    "readings": ("reading",),
    "history": ("trial", "reading"),
}
"""Which kinds of events tell that there are new rows."""
_FORM: Final = re.compile(r"([1-9][0-9]{0,17})-([0-9a-f]{8})", re.ASCII)


class NoCursor(ValueError):
    """The text is no cursor; the message says where to take one from."""


class LostCursor(LookupError):
    """The event of the cursor is not in this store; the message says what to do."""


def latest(connection: Connection, kinds: Iterable[str]) -> str:
    """The cursor after everything that events of these kinds told of so far.

    Read it before the rows, on one snapshot: then nothing falls between two pulls.
    """
    # One at a time: each is then a single step into the index.
    newest = max(
        connection.scalar(select(func.max(Event.id)).where(Event.kind == kind)) or 0
        for kind in kinds
    )
    row = _event(connection, newest)
    return START if row is None else f"{newest}-{_mark(row)}"


def number(connection: Connection, text: str) -> int:
    """The event number that a cursor says.

    Raises NoCursor for a text that was never one, LostCursor for one of another history.
    """
    if text == START:
        return 0
    form = _FORM.fullmatch(text)
    if form is None:
        raise NoCursor(f"{text!r} is no cursor; take it from an earlier pull's Link header")
    row = _event(connection, int(form[1]))
    if row is None or _mark(row) != form[2]:
        raise LostCursor(
            "this store does not know that cursor: it was put back from a backup or is another"
            " store; pull everything once more, without after"
        )
    return int(form[1])


def _event(connection: Connection, event_id: int) -> Row[str, UUID | None, datetime] | None:
    return connection.execute(
        select(Event.kind, Event.subject, Event.at).where(Event.id == event_id)
    ).first()


def _mark(event: Row[str, UUID | None, datetime]) -> str:
    what = f"{event.kind} {event.subject} {event.at.isoformat()}"
    return f"{zlib.crc32(what.encode()):08x}"
