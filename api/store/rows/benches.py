"""Benches."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, Row, select

from api.store.tables import Bench


def bench(connection: Connection, name: str) -> Row[Any] | None:
    """A bench's row; None for one that nobody has named yet."""
    return connection.execute(select(Bench.__table__).where(Bench.name == name)).first()


def bench_names(connection: Connection) -> list[str]:
    return list(connection.scalars(select(Bench.name).order_by(Bench.name)))
