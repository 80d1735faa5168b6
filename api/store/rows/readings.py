"""Which series a reading belongs to."""

from __future__ import annotations

from uuid import UUID

from sqlalchemy import Connection, select

from api.errors import NotFound
from api.store.act_rows import TURNING
from api.store.tables import Act, Change, Reading, Trial, TrialReading


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
