"""What the rows of machines, stops, setup changes, calipers and works say, by the trail's names."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any, Final, cast
from uuid import UUID

from sqlalchemy import Row, Select, Table, Update, select, update

from analysis.units import mm_text, parse_length
from api.store.rows.changes import MERGED
from api.store.stamps import now
from api.store.tables import Caliper, Machine, SetupChange, Stop, Work
from api.store.work_records import said_of_work

_TABLES: Final = {
    "machine": cast(Table, Machine.__table__),
    "stop": cast(Table, Stop.__table__),
    "setup change": cast(Table, SetupChange.__table__),
    "caliper": cast(Table, Caliper.__table__),
    "work": cast(Table, Work.__table__),
}


def said(kind: str, row: Row[Any]) -> dict[str, Any]:
    """What a row of a machine, stop, caliper, setup change or work says, by the trail's names.
    Moments are in ISO 8601, jaw_width is in millimetres, a machine is its id."""
    if kind == "machine":
        merged = None if row.merged_into is None else str(row.merged_into)
        return {
            "name": row.name,
            "kind": row.kind,
            "note": row.note,
            "retired": row.retired_at is not None,
            MERGED: merged,
        }
    if kind == "setup change":
        return {
            "at": row.at.isoformat(),
            "kind": row.kind,
            "note": row.note,
            "withdrawn": row.withdrawn_at is not None,
            "machine": str(row.machine_id),
        }
    if kind == "stop":
        return {
            "name": row.name,
            "note": row.note,
            "retired": row.retired_at is not None,
            "nominal_deg": row.nominal_deg,
            "bevel_deg": row.bevel_deg,
            "check_days": row.check_days,
        }
    if kind == "work":
        return said_of_work(row)
    width = None if row.jaw_width_nm is None else mm_text(row.jaw_width_nm)
    return {
        "name": row.shown,
        "note": row.note,
        "jaw_width": width,
        "check_days": row.check_days,
        "certificate": row.certificate,
        "readings_unit": row.readings_unit,
        "retired": row.retired_at is not None,
    }


def _moment_if(value: bool) -> datetime | None:
    return now() if value else None


_COLUMNS: Final[dict[tuple[str, str], tuple[str, Callable[[Any], Any]]]] = {
    **{(k, "retired"): ("retired_at", _moment_if) for k in ("machine", "stop", "work", "caliper")},
    ("machine", MERGED): ("merged_into", lambda value: value and UUID(value)),
    ("setup change", "at"): ("at", lambda value: datetime.fromisoformat(value).astimezone(UTC)),
    ("setup change", "withdrawn"): ("withdrawn_at", _moment_if),
    ("setup change", "machine"): ("machine_id", UUID),
    ("caliper", "name"): ("shown", str),
    ("caliper", "jaw_width"): ("jaw_width_nm", lambda value: value and parse_length(value, "mm")),
}
"""Where a value of the trail stands in its row otherwise than under its name, as it is."""


def found(kind: str, subject: str) -> Select[Any]:
    """The row of one of these, by the name that the trail has for it."""
    table = _TABLES[kind]
    here = table.c.name == subject if kind == "caliper" else table.c.id == UUID(subject)
    return select(table).where(here)


def written(kind: str, row: Row[Any], values: Mapping[str, Any]) -> Update:
    """What lets a row say these values."""
    columns = {}
    for name, value in values.items():
        column, read = _COLUMNS.get((kind, name), (name, lambda as_it_is: as_it_is))
        columns[column] = read(value)
    table = _TABLES[kind]
    return update(table).where(table.c.id == row.id).values(columns)
