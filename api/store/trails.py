"""Whether the trail of what was corrected leads to what is said now.

The trail is append-only, and what it ends at was said by somebody. A row that says otherwise was
changed past the program: it can be mended from the trail, and the trail from nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import groupby, pairwise
from typing import Any, Final, NamedTuple, cast
from uuid import UUID

from sqlalchemy import Connection, Row, Table, select

from api.store import corrections, machine_records, said_of
from api.store.rows import changes as trail_rows
from api.store.rows.machines import called
from api.store.rows.stops import stop_called
from api.store.rows.works import work_called
from api.store.tables import Act, Change, Series, Stop, Work
from api.store.transactions import Writing

_ACTS: Final = ("ends", "counted", "reading", "moved", "moved out", "visit")
"""The fields of changes that are acts of their series too, which a replay obeys."""
_SERIES: Final = cast(Table, Series.__table__)


class Astray(NamedTuple):
    """What is wrong with a trail, in a sentence. says: what it ends at, where the row `row` of its
    subject says otherwise and can be mended."""

    sentence: str
    kind: str
    row: Row[Any] | None = None
    field: str = ""
    says: Any = None


def astray(connection: Connection) -> Iterator[Astray]:
    """The trails that do not lead to what is said now."""
    carried = select(Act.change_id).where(Act.change_id.is_not(None))
    acts = select(Change.__table__).where(Change.field.in_(_ACTS)).order_by(Change.id)
    for change in connection.execute(acts.where(Change.id.not_in(carried))):
        yield Astray(
            f"change {change.id} ({change.field}) is in the trail of series {change.subject}, and"
            " the log has no such act",
            change.subject_kind,
        )
    found = connection.execute(
        select(Change.__table__)
        .where(Change.field.not_in(_ACTS))
        .order_by(Change.subject_kind, Change.subject, Change.field, Change.id)
    ).all()
    people = trail_rows.people_by_id(connection)
    for (kind, subject, field), changes in groupby(
        found, lambda change: (change.subject_kind, change.subject, change.field)
    ):
        yield from _followed(connection, kind, subject, field, list(changes), people)


def mend(written: Writing) -> int:
    """Let rows say what their trail ends at; how many were mended."""
    wrong = [each for each in astray(written.connection) if each.row is not None]
    for each in wrong:
        values = {each.field: each.says}
        assert each.row is not None
        if each.kind == "series":
            corrections.write_settings(written, each.row.id, values)
        else:
            machine_records.write_values(written, each.kind, each.row, values)
    return len(wrong)


def _followed(
    connection: Connection,
    kind: str,
    subject: str,
    field: str,
    changes: list[Row[Any]],
    people: Mapping[str, str],
) -> Iterator[Astray]:
    """The trail of one field of one subject, which is to end at what the subject's row says."""
    last = changes[-1].after
    if field == trail_rows.PERSON:
        last = trail_rows.called(last, people)
    of = f"{field} of {kind} {subject}"
    for earlier, later in pairwise(changes):
        if not _leads(connection, kind, field, earlier.after, later.before):
            yield Astray(
                f"change {later.id} says that {of} was {later.before!r}, and the change before it"
                f" made it {earlier.after!r}",
                kind,
            )
    row = connection.execute(_row(kind, subject)).first()
    if row is None:
        yield Astray(f"the trail has {len(changes)} changes of {of}, which is not there", kind)
        return
    is_now, ends = _said(kind, row, field), last
    if _leads(connection, kind, field, ends, is_now):
        return
    sentence = f"{of} is {is_now!r}, and its trail ends at {ends!r}"
    if _is_lost(connection, kind, field, ends):
        yield Astray(f"{sentence}, which is not there", kind)
        return
    taken = field == "name" and _taken(connection, kind, row, ends)
    yield Astray(sentence, kind) if taken else Astray(sentence, kind, row, field, ends)


def _row(kind: str, subject: str) -> Any:
    if kind == "series":
        return select(_SERIES).where(_SERIES.c.id == UUID(subject))
    return said_of.found(kind, subject)


def _said(kind: str, row: Row[Any], field: str) -> Any:
    if kind == "series":
        return corrections.said(dict(row._mapping), field)
    return said_of.said(kind, row)[field]


def _leads(connection: Connection, kind: str, field: str, to: Any, present: Any) -> bool:
    """Whether the trail of a field that ends at `to` may go on with `present`. A series that goes
    to another machine is at the same setting there, which is no change of its stop."""
    if to == present or (kind, field) != ("series", "stop") or None in (to, present):
        return bool(to == present)
    named = Stop.id.in_((UUID(to), UUID(present)))
    return len(set(connection.scalars(select(Stop.machine_id).where(named)).all())) > 1


def _is_lost(connection: Connection, kind: str, field: str, named: Any) -> bool:
    """Whether the stop or work that a trail of a series ends at has no row."""
    of = {"stop": Stop.id, "work": Work.id}.get(field)
    if kind != "series" or of is None or named is None:
        return False
    return connection.scalar(select(of).where(of == UUID(named))) is None


def _taken(connection: Connection, kind: str, row: Row[Any], name: str) -> bool:
    """Whether another machine, stop of the machine or work has the name."""
    if kind == "machine":
        return called(connection, name) is not None
    if kind == "stop":
        return stop_called(connection, row.machine_id, name) is not None
    return kind == "work" and work_called(connection, name) is not None
