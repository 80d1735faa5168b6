"""What is said of works, within a transaction."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from sqlalchemy import Row, insert

from api.errors import Conflict
from api.store.authors import NOBODY, Author
from api.store.rows.works import work_called
from api.store.stamps import new_id, now
from api.store.tables import Work
from api.store.transactions import Writing

_AS_THEY_ARE = ("name", "unit", "tolerance_deg", "gap", "joint", "parts", "note")


def add_work(written: Writing, values: Mapping[str, Any], by: Author = NOBODY) -> UUID:
    """A new work's id. Raises Conflict where there is one with this name."""
    free_name(written, None, values["name"])
    made = new_id()
    written.connection.execute(
        insert(Work).values(
            id=made,
            created_at=now(),
            retired_at=None,
            **values,
            **written.authored(by)._asdict(),
        )
    )
    return made


def free_name(written: Writing, work_id: UUID | None, name: str) -> None:
    """Raise Conflict where another work is called so."""
    other = work_called(written.connection, name)
    if other is not None and other != work_id:
        raise Conflict(f"there is a work called {name} already; choose another name, or correct it")


def said_of_work(row: Row[Any]) -> dict[str, Any]:
    """What a row of `tables.Work` says, by the names the trail has."""
    return {
        **{name: getattr(row, name) for name in _AS_THEY_ARE},
        "retired": row.retired_at is not None,
    }
