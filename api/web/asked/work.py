"""The joint, case or frame that a query asks about, and the work that a body names."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from sqlalchemy import Row

from analysis.units import Unit
from analysis.work import AskedWork
from api.answers.proposed import Work, find_work
from api.answers.usual_works import UsualWork
from api.errors import Conflict, InvalidField, NotFound
from api.server import Server
from api.store.authors import Author
from api.store.rows.machines import parse_id
from api.store.rows.works import work
from api.web.asked import length_mm, number_of


def work_of(
    joint: str | None,
    width: str | None,
    height: str | None,
    pieces: str | None,
    gap: str | None,
    unit: Unit,
) -> AskedWork:
    """What a query asks about. Raises InvalidField naming what can't be read."""
    count = number_of("pieces", pieces)
    if count is not None and count != int(count):
        raise InvalidField("pieces", "must be a whole number")
    return AskedWork(
        length_mm("joint", joint, unit),
        length_mm("width", width, unit),
        length_mm("height", height, unit),
        None if count is None else int(count),
        length_mm("gap", gap, unit),
        unit,
    )


def work_or_usual(server: Server, text: str) -> Work:
    """The same, or a usual work of that name which the store does not have yet."""
    try:
        with server.reading() as store:
            return find_work(store, text)
    except NotFound as error:
        raise InvalidField("work", str(error)) from None


def work_made(server: Server, work: Work, by: Author) -> UUID:
    """The id of a work; a usual one becomes a work of the shop's own."""
    if isinstance(work, UsualWork):
        try:
            return server.machine_records.add_work(work.columns(), by)
        except Conflict:  # another request made it meanwhile
            work = work_named(server, work.name)
    found: UUID = work.id
    return found


def work_named(server: Server, text: str) -> Row[Any]:
    """The work that a body names by id or name. Raises InvalidField where there is none."""
    try:
        with server.reading() as store:
            return work(store, parse_id(text))
    except NotFound as error:
        raise InvalidField("work", str(error)) from None
