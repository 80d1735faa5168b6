"""Cursors: how far a pull has read.

A cursor is the number of the last event that the pull had seen, with a checksum of that event.
A store that was restored from a backup gives the same numbers to other events; the checksum
shows this, so that no pull continues from an old cursor in another history.
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
_OF_SERIES: Final = ("series", "machine", "caliper name")
EVENT_KINDS: Final = {
    "trials": ("trial", *_OF_SERIES),
    "readings": ("reading", "fate", *_OF_SERIES),
    "history": (
        *("trial", "reading", "fate", "correction", "person", "bench", "setup change"),
        *_OF_SERIES,
    ),
}
"""The kinds of events that announce new or changed rows of what is pulled."""
_FORM: Final = re.compile(r"([1-9][0-9]{0,17})-([0-9a-f]{8})", re.ASCII)


class NoCursor(ValueError):
    """The text is not a cursor; the message says where to take one from."""


class LostCursor(LookupError):
    """The event of the cursor is not in this store; the message says what to do."""


def latest(connection: Connection, kinds: Iterable[str]) -> str:
    """The cursor after the latest event of these kinds.

    Read it before the rows, in the same snapshot: then no row is missed between two pulls.
    """
    # One query per kind: each is then a single lookup in the index.
    newest = max(
        connection.scalar(select(func.max(Event.id)).where(Event.kind == kind)) or 0
        for kind in kinds
    )
    row = _event(connection, newest)
    return START if row is None else f"{newest}-{_mark(row)}"


def number(connection: Connection, text: str) -> int:
    """The event number that a cursor says.

    Raises NoCursor for a text that was never a cursor, LostCursor for one of another history.
    """
    if text == START:
        return 0
    form = _FORM.fullmatch(text)
    if form is None:
        raise NoCursor(f"{text!r} is not a cursor; take it from an earlier pull's Link header")
    row = _event(connection, int(form[1]))
    if row is None or _mark(row) != form[2]:
        raise LostCursor(
            "this store does not know that cursor: it was restored from a backup or is another"
            " store; pull everything again, without after"
        )
    return int(form[1])


def _event(connection: Connection, event_id: int) -> Row[str, UUID | None, datetime] | None:
    return connection.execute(
        select(Event.kind, Event.subject, Event.at).where(Event.id == event_id)
    ).first()


def _mark(event: Row[str, UUID | None, datetime]) -> str:
    what = f"{event.kind} {event.subject} {event.at.isoformat()}"
    return f"{zlib.crc32(what.encode()):08x}"
