"""The trail of changes."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from typing import Any, Final, cast
from uuid import UUID

from sqlalchemy import Connection, Row, Select, exists, select
from sqlalchemy.engine import IteratorResult
from sqlalchemy.engine.result import SimpleResultMetaData
from sqlalchemy.orm import aliased

from api.errors import NotFound
from api.store.authors import name_of
from api.store.tables import Change, Person, Series

_Undo = aliased(Change)
_UNDONE: Any = exists().where(_Undo.undoes == Change.id).label("undone")
_WITH_NAMES: Select[Any] = select(
    Change.__table__, name_of(Change.person_id, "who"), name_of(Change.pass_id, "through"), _UNDONE
)
"""Changes, with `who` made them, by which pass, and whether they are `undone`."""

PERSON: Final = "person"
"""The field of who measured. Its changes hold the id of a row of `people`, as `{PERSON: id}`, so
that somebody who gets another name has it in the trail too; what is read here has the name."""

MERGED: Final = "merged into"
"""The field of a machine that is one with another now."""

# So many series tell who measures.
_LATELY: Final = 500


def change(connection: Connection, change_id: UUID) -> Row[Any]:
    """Raises NotFound where no change has that id."""
    found = _read(connection, _WITH_NAMES.where(Change.id == change_id))
    if not found:
        raise NotFound("no change has that id; GET /api/changes lists them")
    return found[0]


def called(value: Any, people: Mapping[str, str]) -> Any:
    """What a change of `PERSON` says, by name. people: names by id, as text; one that is not among
    them, in a store that lost it, has none."""
    return None if value is None else people.get(value[PERSON])


def people_by_id(connection: Connection) -> dict[str, str]:
    """What everybody who is named in the trail is called, by id as text."""
    return {str(row.id): row.name for row in people(connection)}


def _read(connection: Connection, query: Select[Any]) -> Sequence[Row[Any]]:
    """The changes of a query, with people by their names."""
    rows = connection.execute(query).all()
    if not any(row.field == PERSON for row in rows):
        return rows
    known = people_by_id(connection)

    def named(row: Row[Any]) -> tuple[Any, ...]:
        said = row._asdict()
        if row.field == PERSON:
            said |= {name: called(said[name], known) for name in ("before", "after")}
        return tuple(said.values())

    result: Any = IteratorResult(SimpleResultMetaData(rows[0]._fields), map(named, rows))
    return cast(Sequence[Row[Any]], result.all())


def not_undone(connection: Connection, change_id: UUID) -> Sequence[Row[Any]]:
    """The changes of the same request as this one that are not undone, the latest first.

    Raises NotFound where no change has that id.
    """
    act = change(connection, change_id).act
    found = _read(connection, _WITH_NAMES.where(Change.act == act).order_by(Change.id.desc()))
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
    return _read(connection, _WITH_NAMES.where(Change.series_id == series_id).order_by(Change.id))


def of_subject(connection: Connection, kind: str, subject: str) -> Sequence[Row[Any]]:
    """The changes of a machine, caliper or setup change, in order."""
    of_it = (Change.subject_kind == kind) & (Change.subject == subject)
    return _read(connection, _WITH_NAMES.where(of_it).order_by(Change.id))


def merges(connection: Connection, acts: Collection[UUID]) -> frozenset[UUID]:
    """Which of these requests merged a machine into another."""
    query = select(Change.act).where(Change.act.in_(acts), Change.field == MERGED)
    return frozenset(connection.scalars(query))


def of_machine(
    connection: Connection,
    machine_id: UUID,
    merged: Collection[UUID],
    setup_changes: Collection[UUID],
    stops: Collection[UUID],
) -> Sequence[Row[Any]]:
    """What was said otherwise of a machine, its setup changes and its stops, in order, and which
    machines were merged into it; without what a merge moved."""
    return connection.execute(
        _WITH_NAMES.where(
            (Change.subject_kind == "machine") & (Change.subject == str(machine_id))
            | (Change.subject_kind == "machine")
            & Change.subject.in_(map(str, merged))
            & (Change.field == MERGED)
            | (Change.subject_kind == "setup change")
            & Change.subject.in_(map(str, setup_changes))
            & (Change.field != "machine")
            | (Change.subject_kind == "stop")
            & Change.subject.in_(map(str, stops))
            & Change.act.not_in(select(Change.act).where(Change.field == MERGED))
        ).order_by(Change.id)
    ).all()


def of_calipers(connection: Connection, heard_as: Collection[str]) -> Sequence[Row[Any]]:
    """What was said otherwise of the calipers that are heard under these names, in order."""
    return connection.execute(
        _WITH_NAMES.where(Change.subject_kind == "caliper", Change.subject.in_(heard_as)).order_by(
            Change.id
        )
    ).all()


def known_people(connection: Connection) -> list[str]:
    """Everybody who corrected something, and who measured lately, by name."""
    lately = select(Series.person).order_by(Series.started_at.desc()).limit(_LATELY).subquery()
    measured = select(lately.c.person).where(lately.c.person.is_not(None))
    return sorted(connection.scalars(select(Person.name).union(measured)))


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
    return _read(connection, query)
