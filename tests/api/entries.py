"""Readings and series as a journal takes them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import count
from uuid import UUID

from analysis.methods import method
from analysis.units import Unit, parse_length
from api.store.new_series import NewSeries
from capture.records import Reading

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
numbers = count(1001)  # below are the ids of `tests.api.stores.fill`


def reading(sent: str, unit: Unit = "mm", bench: str = "main", pause_ms: int = 4000) -> Reading:
    number = next(numbers)
    return Reading(
        id=UUID(int=number),
        bench=bench,
        caliper="six-inch",
        sent=sent,
        unit=unit,
        nm=parse_length(sent, unit),
        taken_at=NOON + timedelta(seconds=4 * number),
        since_previous_ms=pause_ms,
    )


def new_series(machine: UUID, bench: str = "main", key: str = "reversal") -> NewSeries:
    return NewSeries(
        machine_id=machine,
        bench=bench,
        method=method(key),
        unit="mm",
        baseline="200",
        baseline_nm=200_000_000,
        thickness="19" if key == "half-turn" else None,
        thickness_nm=19_000_000 if key == "half-turn" else None,
        inset="0",
        inset_nm=0,
        strip_side="left",
        repeats=2 if key == "half-turn" else 1,
    )
