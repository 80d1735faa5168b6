"""Which series a reading belongs to, and what became of it."""

from __future__ import annotations

from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection, case, func, select

from api.errors import NotFound
from api.store.act_rows import TURNING
from api.store.tables import Act, Aside, Change, Reading, Trial, TrialReading
from capture.folded import Fate

_COUNTED: Final[Fate] = "counted"
_LEFT_OUT: Final[Fate] = "left out"
_IN_NO_TRIAL: Final[Fate] = "in no trial"

# Subqueries, not joins: with more joins PostgreSQL no longer looks for the best order of them.
FATE: Final[Any] = func.coalesce(
    select(Aside.why).where(Aside.reading_id == Reading.id).correlate(Reading).scalar_subquery(),
    select(case((Trial.state == "left out", _LEFT_OUT), else_=_COUNTED))
    .join(TrialReading, TrialReading.trial_id == Trial.id)
    .where(TrialReading.reading_id == Reading.id)
    .correlate(Reading)
    .scalar_subquery(),
    _IN_NO_TRIAL,
).label("fate")
"""What became of a reading (`folded.Fate`), in a query that reads `readings`; the view
`reading_history` says the same."""


def series_of_reading(connection: Connection, reading_id: UUID) -> UUID:
    """The series whose trial holds a reading; of one that no trial holds, the series that a
    correction last named with it, or that ran when it was kept.

    Raises NotFound where there is none.
    """
    reading = connection.execute(
        select(Reading.bench_id, Reading.seq).where(Reading.id == reading_id)
    ).first()
    if reading is None:
        raise NotFound("no reading has that id")
    found = connection.scalar(
        select(Trial.series_id)
        .join(TrialReading, TrialReading.trial_id == Trial.id)
        .where(TrialReading.reading_id == reading_id)
    )
    if found is None:
        found = connection.scalar(
            select(Change.series_id)
            .where(Change.reading_id == reading_id, Change.series_id.is_not(None))
            .order_by(Change.id.desc())
            .limit(1)
        )
    if found is None:
        found = connection.scalar(
            select(Act.series_id)
            .where(
                Act.bench_id == reading.bench_id,
                Act.seq < reading.seq,
                Act.kind.in_(TURNING),
            )
            .order_by(Act.seq.desc())
            .limit(1)
        )
    if found is None:
        raise NotFound("no series ran when this reading was kept; it belongs to none")
    return found
