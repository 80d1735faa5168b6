"""Benches."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Row, select

from api.store.act_rows import BEGINNING
from api.store.tables import Act, Bench, Trial


def bench(connection: Connection, name: str) -> Row[Any] | None:
    """A bench's row; None for one that nobody has named yet."""
    return connection.execute(select(Bench.__table__).where(Bench.name == name)).first()


def bench_names(connection: Connection) -> list[str]:
    return list(connection.scalars(select(Bench.name).order_by(Bench.name)))


def last_fed(connection: Connection, bench_id: int) -> UUID | None:
    """The series that the bench fed last, of those with a trial where any has; None where it has
    fed none."""
    fed = select(Act.series_id).where(Act.bench_id == bench_id, Act.kind.in_(BEGINNING))
    with_trials = select(Trial.id).where(Trial.series_id == Act.series_id, Trial.state != "gone")
    for asked in (fed.where(with_trials.exists()), fed):
        found = connection.scalar(asked.order_by(Act.seq.desc()).limit(1))
        if found is not None:
            return found
    return None
