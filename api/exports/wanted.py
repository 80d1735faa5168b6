"""What a pull asks for, and the conditions that follow for each table's query."""

from __future__ import annotations

from collections.abc import Generator
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Select, select

from api.exports.columns import BLOCK, Block
from api.store.tables import Event, Series


@dataclass(frozen=True, slots=True)
class Wanted:
    """Rows of a machine (by id), of a method, taken since, new or changed after an event.

    `after` None asks for everything; 0 asks for everything and for what is gone.
    """

    machine: UUID | None = None
    method: str | None = None
    since: datetime | None = None
    after: int | None = None

    def of_series(self, query: Select[Any]) -> Select[Any]:
        """`query`, which reads `series`, narrowed to the machine and method."""
        if self.machine is not None:
            query = query.where(Series.machine_id == self.machine)
        if self.method is not None:
            query = query.where(Series.method == self.method)
        return query

    def subjects_of(self, kind: str) -> Select[UUID | None]:
        """The subjects of the events of `kind` after number `after`."""
        return select(Event.subject).where(Event.kind == kind, Event.id > (self.after or 0))


def fetch(connection: Connection, query: Select[Any]) -> Generator[Block, None, None]:
    """The rows of `query` by column, never more than a block in memory.

    Close it when it is left before its end: it holds a cursor in the database server.
    """
    # For this statement only: others on the connection need no cursor in the database server.
    query = query.execution_options(yield_per=BLOCK)
    with closing(connection.execute(query)) as result:
        for rows in result.partitions(BLOCK):
            yield list(zip(*rows, strict=True))
