"""What people and passes are called, corrected: everywhere at once, and without a trail, which
would keep the name that is to be gone."""

from __future__ import annotations

from itertools import count
from typing import Final, cast
from uuid import UUID

from sqlalchemy import Connection, Table, func, select, update

from api.errors import Conflict, NotFound
from api.store.tables import Bench, Person, Series
from api.store.transactions import Transactions

_PEOPLE: Final = cast(Table, Person.__table__)
_SERIES: Final = cast(Table, Series.__table__)

ANONYMOUS: Final = "somebody"
"""What one is called, with a number, who is made anonymous: two acts of one author still have the
same."""


class PeopleRecords:
    """Renames people, or makes them anonymous. Safe to call from any thread."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def rename(self, person_id: UUID, name: str | None) -> tuple[str, str]:
        """Give a person another name wherever it stands, None: one that is nobody's. What the
        person was called, and is.

        Raises NotFound where there is no such person, Conflict where another one has the name.
        """
        with self._transactions.writing() as written:
            connection = written.connection
            before = connection.scalar(select(Person.name).where(Person.id == person_id))
            if before is None:
                raise NotFound("no person has that id; GET /api/people lists them")
            if name == before:
                return before, before
            if name is None:
                name = _free_name(connection)
            elif connection.scalar(select(Person.id).where(Person.name == name)) is not None:
                raise Conflict(
                    f"another person is called {name}; choose a name that tells them apart"
                )
            named = connection.execute(
                select(Series.id, Series.bench_id).where(Series.person == before)
            ).all()
            if connection.dialect.name == "sqlite":
                # What is overwritten is not left in the file. For this transaction alone.
                connection.exec_driver_sql("PRAGMA secure_delete=ON")
            connection.execute(update(_PEOPLE).where(_PEOPLE.c.id == person_id).values(name=name))
            connection.execute(
                update(_SERIES).where(_SERIES.c.person == before).values(person=name)
            )
            if connection.dialect.name == "sqlite":
                connection.exec_driver_sql("PRAGMA secure_delete=OFF")
            for row in named:
                written.add_event(row.bench_id, "series", row.id)
            bench = connection.scalar(select(func.min(Bench.id)))
            if bench is not None:
                written.add_event(bench, "person", person_id)
            return before, name


def _free_name(connection: Connection) -> str:
    """The first one that nobody has."""
    taken = set(connection.scalars(select(Person.name).where(Person.name.startswith(ANONYMOUS))))
    measured = select(Series.person).where(Series.person.startswith(ANONYMOUS)).distinct()
    taken |= set(connection.scalars(measured))
    return next(name for n in count(1) if (name := f"{ANONYMOUS} {n}") not in taken)
