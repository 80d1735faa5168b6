"""The trail: what was said about a measurement and is said otherwise now, who said so, and why."""

from __future__ import annotations

from typing import Any, Final, Literal, NamedTuple, cast
from uuid import UUID

from sqlalchemy import Table, insert, select

from api.errors import Conflict
from api.store.stamps import new_id, now
from api.store.tables import Change, Person
from api.store.transactions import Writing, insert_new

SubjectKind = Literal["series", "machine", "caliper", "setup change"]

_CHANGES: Final = cast(Table, Change.__table__)
_PEOPLE: Final = cast(Table, Person.__table__)


class By(NamedTuple):
    """Who corrects, and why; None where it is not said."""

    who: str | None = None
    reason: str | None = None


class Subject(NamedTuple):
    """What a change is about: an id as text, or the name a caliper is heard under. series, trial
    and reading where it is about one; bench_id: whose readers are told."""

    kind: SubjectKind
    id: str
    bench_id: int | None
    series: UUID | None = None
    trial: int | None = None
    reading: UUID | None = None


class Correcting:
    """The changes of one request, within a transaction; act: that of a request that takes several
    transactions."""

    def __init__(self, written: Writing, by: By, act: UUID | None = None) -> None:
        self.written = written
        self.act = act or new_id()
        self._at = now()
        self._reason = by.reason
        self._person = None if by.who is None else person(written, by.who)

    def say(
        self, subject: Subject, field: str, before: Any, after: Any, undoes: UUID | None = None
    ) -> UUID:
        """Add a change to the trail, and tell the readers of its bench; its id."""
        change = new_id()
        self.written.connection.execute(
            insert(_CHANGES).values(
                id=change,
                act=self.act,
                at=self._at,
                person_id=self._person,
                reason=self._reason,
                subject_kind=subject.kind,
                subject=subject.id,
                series_id=subject.series,
                trial=subject.trial,
                reading_id=subject.reading,
                field=field,
                before=before,
                after=after,
                undoes=undoes,
            )
        )
        if subject.bench_id is not None:
            told = {"subject_kind": subject.kind, "subject": subject.id, "field": field}
            if subject.series is not None:
                told["series"] = str(subject.series)
            self.written.add_event(subject.bench_id, "correction", change, told)
        return change


def check_unchanged(field: str, present: Any, after: Any) -> None:
    """Raise Conflict where what a change said, `after`, is not said any more."""
    if present != after:
        raise Conflict(f"{field.replace('_', ' ')} was changed again since; undo that change first")


def person(written: Writing, name: str) -> UUID:
    """The id of the person with that name, made where there is none."""
    by_name = select(Person.id).where(Person.name == name)
    known = written.connection.scalar(by_name)
    if known is None:
        made = insert_new(written.connection, _PEOPLE)
        written.connection.execute(made, {"id": new_id(), "name": name})
        known = written.connection.scalar(by_name)
        assert known is not None
    return known
