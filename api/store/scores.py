"""What each of many series says, in full, by a few questions to the store for all of them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Row, select

from api import scoring
from api.shapes import ScoreOut
from api.store import queries
from api.store.history import as_sent, studies_of
from api.store.tables import Caliper, Reading, Trial, TrialReading


def scores(connection: Connection, series: Sequence[UUID]) -> list[tuple[Row[Any], ScoreOut]]:
    """Each series' row, as `queries.series_row` gives it, and its score, in the order given.

    Asked one by one, most of the time would go to asking. Raises KeyError where no series has
    one of the ids.
    """
    found = queries.series_rows(connection, series)
    rows = [found[each] for each in series]
    trials = _by(
        "series_id",
        connection.execute(
            select(as_sent(Trial.id).label("id"), Trial.series_id, Trial.state)
            .where(Trial.series_id.in_(series), Trial.state == "complete")
            .order_by(Trial.series_id, Trial.number)
        ),
    )
    readings = _by(
        "trial_id",
        connection.execute(
            select(
                as_sent(TrialReading.trial_id).label("trial_id"),
                TrialReading.slot,
                TrialReading.place,
                Reading.nm,
                Reading.sent,
                Reading.unit,
                Caliper.name.label("caliper"),
            )
            .join(Trial, Trial.id == TrialReading.trial_id)
            .join(Reading, Reading.id == TrialReading.reading_id)
            .join(Caliper, Caliper.id == Reading.caliper_id)
            .where(Trial.series_id.in_(series), Trial.state == "complete")
            .order_by(TrialReading.trial_id, TrialReading.slot)
        ),
    )
    measured = [queries.measured(row, trials[row.id], readings) for row in rows]
    studies = studies_of(connection, rows, [calipers for _, calipers in measured])
    return [
        (row, scoring.score_out(study.told_to(facts), study))
        for row, (facts, _), study in zip(rows, measured, studies, strict=True)
    ]


def _by(name: str, rows: Any) -> defaultdict[Any, list[Row[Any]]]:
    found: defaultdict[Any, list[Row[Any]]] = defaultdict(list)
    for row in rows:
        found[getattr(row, name)].append(row)
    return found
