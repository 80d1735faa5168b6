"""The trail: what was said about a measurement and is said otherwise now, who said so, and why."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final, Literal, NamedTuple, cast
from uuid import UUID

from sqlalchemy import Connection, Table

from api.errors import Conflict
from api.store import statements
from api.store.authors import Author, person
from api.store.rows.changes import PERSON
from api.store.stamps import new_id, now
from api.store.tables import Change
from api.store.transactions import Writing

SubjectKind = Literal["series", "machine", "stop", "work", "caliper", "setup change"]

_CHANGES: Final = cast(Table, Change.__table__)
_COLUMNS: Final = (
    *("id", "act", "at", "person_id", "reason", "subject_kind", "subject"),
    *("series_id", "trial", "reading_id", "field", "before", "after", "undoes", "pass_id"),
)

Seen = Callable[[Connection], None]
"""Called with the connection that writes, once what is corrected is locked: raises where it is not
what was seen before it was corrected."""


class By(NamedTuple):
    """Who corrects, and why; None where it is not said. through: as of `Author`."""

    who: str | None = None
    reason: str | None = None
    seen: Seen | None = None
    through: str | None = None

    @property
    def author(self) -> Author:
        return Author(self.who, self.through)


class Subject(NamedTuple):
    """What a change is about: an id as text, or the name a caliper is heard under. series, trial
    and reading where it is about one; bench_id: whose readers are told."""

    kind: SubjectKind
    id: str
    bench_id: int | None
    series: UUID | None = None
    trial: int | None = None
    reading: UUID | None = None


class Said(NamedTuple):
    """What is said in the trail: a field of a subject, from what to what; undoes: the id of the
    change that it undoes."""

    subject: Subject
    field: str
    before: Any
    after: Any
    undoes: UUID | None = None


class Correcting:
    """The changes of one request, within a transaction, in which what they are of is locked; act:
    that of a request that takes several transactions. Raises what `by.seen` raises."""

    def __init__(self, written: Writing, by: By, act: UUID | None = None) -> None:
        if by.seen is not None:
            by.seen(written.connection)
        self.written = written
        self.act = act or new_id()
        self._at = now()
        self._reason = by.reason
        self.by = by.author
        self._authored = written.authored(self.by)

    def say(
        self, subject: Subject, field: str, before: Any, after: Any, undoes: UUID | None = None
    ) -> UUID:
        """Add a change to the trail, and tell the readers of its bench; its id."""
        (change,) = self.say_all([Said(subject, field, before, after, undoes)])
        return change

    def say_all(self, said: Sequence[Said]) -> list[UUID]:
        """Add changes to the trail at once, and tell the readers of their benches; their ids."""
        ids = [new_id() for _ in said]
        rows = [
            (
                *(change, self.act, self._at, self._authored.person_id, self._reason),
                *(each.subject.kind, each.subject.id),
                *(each.subject.series, each.subject.trial, each.subject.reading),
                each.field,
                self._held(each.field, each.before),
                self._held(each.field, each.after),
                each.undoes,
                self._authored.pass_id,
            )
            for change, each in zip(ids, said, strict=True)
        ]
        statements.write(self.written.connection, _CHANGES, _COLUMNS, rows)
        for change, (subject, field, *_) in zip(ids, said, strict=True):
            if subject.bench_id is None:
                continue
            told = {"subject_kind": subject.kind, "subject": subject.id, "field": field}
            if subject.series is not None:
                told["series"] = str(subject.series)
            self.written.add_event(subject.bench_id, "correction", change, told)
        return ids

    def _held(self, field: str, value: Any) -> Any:
        """What the trail holds of a value: of who measured, which person that is."""
        if field != PERSON or value is None:
            return value
        return {PERSON: str(person(self.written.connection, value))}


def check_unchanged(field: str, present: Any, after: Any) -> None:
    """Raise Conflict where what a change said, `after`, is not said any more."""
    if present != after:
        raise Conflict(f"{field.replace('_', ' ')} was changed again since; undo that change first")
