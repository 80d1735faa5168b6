"""The trail of changes."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Row, Select, exists, select
from sqlalchemy.orm import aliased

from api.errors import NotFound
from api.store.tables import Change, Person

_Undo = aliased(Change)
_UNDONE: Any = exists().where(_Undo.undoes == Change.id).label("undone")
_WITH_NAMES: Select[Any] = select(Change.__table__, Person.name.label("who"), _UNDONE).outerjoin(
    Person, Person.id == Change.person_id
)
"""Changes, with `who` made them and whether they are `undone`."""


def change(connection: Connection, change_id: UUID) -> Row[Any]:
    """Raises NotFound where no change has that id."""
    row = connection.execute(_WITH_NAMES.where(Change.id == change_id)).first()
    if row is None:
        raise NotFound("no change has that id; GET /api/changes lists them")
    return row


def not_undone(connection: Connection, change_id: UUID) -> Sequence[Row[Any]]:
    """The changes of the same request as this one that are not undone, the latest first.

    Raises NotFound where no change has that id.
    """
    act = change(connection, change_id).act
    found = connection.execute(
        _WITH_NAMES.where(Change.act == act).order_by(Change.id.desc())
    ).all()
    return [row for row in found if not row.undone]


def standing(changes: Sequence[Row[Any]]) -> list[Row[Any]]:
    """Of changes in order, those that no other undid for good, without those that only undo."""
    undone: set[UUID] = set()
    found = []
    for change in reversed(changes):
        if change.id in undone:
            continue
        if change.undoes is None:
            found.append(change)
        else:
            undone.add(change.undoes)
    return found[::-1]


def of_series(connection: Connection, series_id: UUID) -> Sequence[Row[Any]]:
    """The changes of a series, in order."""
    return connection.execute(
        _WITH_NAMES.where(Change.series_id == series_id).order_by(Change.id)
    ).all()


def of_subject(connection: Connection, kind: str, subject: str) -> Sequence[Row[Any]]:
    """The changes of a machine, caliper or setup change, in order."""
    return connection.execute(
        _WITH_NAMES.where(Change.subject_kind == kind, Change.subject == subject).order_by(
            Change.id
        )
    ).all()


def people(connection: Connection) -> Sequence[Row[Any]]:
    """Who is named in the trail, by name."""
    return connection.execute(select(Person.__table__).order_by(Person.name)).all()


def since(
    connection: Connection, at: datetime | None, after: UUID | None, limit: int
) -> Sequence[Row[Any]]:
    """Changes in order, at most `limit`: those made at or after `at`, that follow `after`.

    Raises NotFound where no change has the id `after`.
    """
    query = _WITH_NAMES.order_by(Change.id).limit(limit)
    if at is not None:
        query = query.where(Change.at >= at)
    if after is not None:
        query = query.where(Change.id > change(connection, after).id)
    return connection.execute(query).all()
