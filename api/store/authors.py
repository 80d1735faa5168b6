"""Who did it: the author of an act, a correction, or a row that was made.

A person who is named with what is asked is its author: the name that was picked on the page, typed
at a command, or said to measure a series. What lets a request in, a token or the cookie of a
device, is called its pass; where nobody is named, the pass is the author. It stands beside the
author in any case, since a name is only said, and a pass was given. At the computer itself nobody
needs a pass: there the author is who is named, or nobody.

Both are rows of `people`, made when they are first named, so that one who gets another name, or
none, has it everywhere at once, and what two acts had in common stays. Nothing is computed from an
author: a replay of the log does not look at it.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple, cast
from uuid import UUID

from sqlalchemy import ColumnElement, Connection, Select, Table, bindparam, select
from sqlalchemy.orm import InstrumentedAttribute

from api.store import statements
from api.store.stamps import new_id
from api.store.tables import Person

_PEOPLE: Final = cast(Table, Person.__table__)


class Author(NamedTuple):
    """who: the person named; through: the name of the pass. None where there is none."""

    who: str | None = None
    through: str | None = None

    def naming(self, who: str | None) -> Author:
        """The same request, where it names a person."""
        return Author(who or self.who, self.through)


class Authored(NamedTuple):
    """The columns of a row that has an author: ids of rows of `people`."""

    person_id: UUID | None
    pass_id: UUID | None


NOBODY: Final = Author()
UNSIGNED: Final = Authored(None, None)


def authored(connection: Connection, author: Author) -> Authored:
    """The columns of what `author` does."""
    # In one order, as all that may be locked.
    names = sorted({name for name in author if name is not None})
    ids = {name: person(connection, name) for name in names}
    by, through = author.who or author.through, author.through
    return Authored(ids[by] if by else None, ids[through] if through else None)


def person(connection: Connection, name: str) -> UUID:
    """The id of the person or pass with that name, made where there is none."""
    known = statements.first(connection, _BY_NAME, name=name)
    if known is None:
        made = statements.insert_new(connection, _PEOPLE)
        connection.execute(made, {"id": new_id(), "name": name})
        known = statements.first(connection, _BY_NAME, name=name)
        assert known is not None
    return UUID(str(known[0]))


_BY_NAME: Final = select(_PEOPLE.c.id).where(_PEOPLE.c.name == bindparam("name"))


def in_words(who: str, through: str | None) -> str:
    """An author, as people read it."""
    return who if through in (None, who) else f"{who} (through {through})"


def name_of(
    person_id: InstrumentedAttribute[UUID | None] | ColumnElement[Any], label: str
) -> ColumnElement[str | None]:
    """What the row of `people` with this id is called now: a column of a query, `label`."""
    people = _PEOPLE.alias()
    found: Select[tuple[str]] = select(people.c.name).where(people.c.id == person_id)
    return found.scalar_subquery().label(label)
