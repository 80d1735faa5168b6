"""Stops of machines: how they are made, and which one a series gets whose machine is another."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final, cast
from uuid import UUID

from sqlalchemy import Row, Table, insert

from api.errors import Conflict
from api.store.authors import NOBODY, Author
from api.store.new_series import PastStop
from api.store.rows import stops as rows
from api.store.squares import SQUARE
from api.store.stamps import new_id, now
from api.store.tables import Stop
from api.store.transactions import Writing

_STOPS: Final = cast(Table, Stop.__table__)


def add_stop(
    written: Writing,
    machine_id: UUID,
    name: str,
    nominal_deg: str,
    bevel_deg: str,
    note: str | None = None,
    check_days: int | None = None,
    retired_at: datetime | None = None,
    by: Author = NOBODY,
) -> UUID:
    """A new stop's id. Raises Conflict where the machine has one with this name."""
    refuse_taken(written, machine_id, name)
    row = {"id": new_id(), "machine_id": machine_id, "name": name, "created_at": now()}
    row |= {"nominal_deg": nominal_deg, "bevel_deg": bevel_deg}
    row |= {"note": note, "check_days": check_days, "retired_at": retired_at}
    row |= written.authored(by)._asdict()
    written.connection.execute(insert(_STOPS).values(row))
    return cast(UUID, row["id"])


def past_stop(written: Writing, machine_id: UUID, stop: PastStop, by: Author) -> UUID:
    """The id of the stop of that name; made where the machine has none."""
    known = rows.stop_called(written.connection, machine_id, stop.name)
    return add_stop(written, machine_id, *stop, by=by) if known is None else cast(UUID, known.id)


def refuse_taken(written: Writing, machine_id: UUID, name: str, but: UUID | None = None) -> None:
    """Raise Conflict where another stop of the machine has this name."""
    other = rows.stop_called(written.connection, machine_id, name)
    if other is not None and other.id != but:
        raise Conflict(
            f"the machine has a stop {other.name} already, at {angles(other)}; use that one, or"
            " give a name that tells them apart"
        )


def check_stop(written: Writing, row: Row[Any], changed: dict[str, Any]) -> None:
    """Raise Conflict where a stop can't be corrected like this."""
    if row.name == SQUARE and {"name", "retired", *rows.ANGLES} & changed.keys():
        raise Conflict(
            f"{SQUARE} stays as it is: a series that names no stop belongs to it; make a stop for"
            " another setting"
        )
    if set(rows.ANGLES) & changed.keys() and rows.has_series(written.connection, row.id):
        raise Conflict(
            f"series were measured at {row.name}, and their errors are from {angles(row)}; make"
            " another stop, and correct the stop of the series that belong there"
        )
    if "name" in changed:
        refuse_taken(written, row.machine_id, changed["name"], row.id)


def angles(row: Row[Any]) -> str:
    """The nominal angle of a stop, in words, and its bevel where it has one."""
    bevel = "" if row.bevel_deg == "0" else f", bevel {row.bevel_deg}"
    return f"{row.nominal_deg} degrees{bevel}"


def stop_there(written: Writing, stop_id: UUID, machine_id: UUID, by: Author = NOBODY) -> Row[Any]:
    """The stop of another machine that is the same setting, as `rows.there` finds it; made where
    there is none, out of use if it is."""
    row = rows.stop(written.connection, stop_id)
    found, name = rows.there(written.connection, row, machine_id)
    if found is not None:
        return found
    said = {name: getattr(row, name) for name in (*rows.ANGLES, "note", "check_days", "retired_at")}
    made = add_stop(written, machine_id, name, **said, by=by)
    return rows.stop(written.connection, made)
