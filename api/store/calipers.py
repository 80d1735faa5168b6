"""The calipers that the store has ever heard."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, func, select

from api.store.tables import Bench, Caliper, Reading


@dataclass(frozen=True, slots=True)
class Known:
    """A caliper by its readings. `bench`: where it was heard last; None and no `last_heard`
    where nothing it sent was a reading."""

    name: str
    first_heard: datetime
    readings: int
    bench: str | None
    last_heard: datetime | None


def known_calipers(connection: Connection) -> list[Known]:
    """All calipers, by name."""
    query = (
        select(
            Caliper.name,
            Caliper.first_heard_at,
            Bench.name.label("bench"),
            func.count(Reading.id).label("readings"),
            func.max(Reading.taken_at).label("last_heard"),
        )
        .outerjoin(Reading, Reading.caliper_id == Caliper.id)
        .outerjoin(Bench, Bench.id == Reading.bench_id)
        .group_by(Caliper.id, Caliper.name, Caliper.first_heard_at, Bench.name)
    )
    found: dict[str, Known] = {}
    for row in connection.execute(query):
        known = found.get(row.name) or Known(row.name, row.first_heard_at, 0, None, None)
        later = row.last_heard is not None and (
            known.last_heard is None or row.last_heard > known.last_heard
        )
        found[row.name] = Known(
            row.name,
            row.first_heard_at,
            known.readings + row.readings,
            row.bench if later else known.bench,
            row.last_heard if later else known.last_heard,
        )
    return sorted(found.values(), key=lambda each: (each.name.casefold(), each.name))
