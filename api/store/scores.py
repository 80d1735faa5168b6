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
from api.store.history import studies_of
from api.store.tables import Trial


def scores(connection: Connection, series: Sequence[UUID]) -> list[tuple[Row[Any], ScoreOut]]:
    """Each series' row, as `queries.series_row` gives it, and its score, in the order given.

    Asked one by one, most of the time would go to asking. Raises KeyError where no series has
    one of the ids.
    """
    found = queries.series_rows(connection, series)
    rows = [found[each] for each in series]
    complete = Trial.series_id.in_(series) & (Trial.state == "complete")
    trials: dict[UUID, list[Row[Any]]] = defaultdict(list)
    query: Any = (
        select(Trial.id, Trial.series_id, Trial.state)
        .where(complete)
        .order_by(Trial.series_id, Trial.number)
    )
    for trial in connection.execute(query):
        trials[trial.series_id].append(trial)
    readings = queries.readings_by_trial(connection, complete)
    measured = [queries.measured(row, trials[row.id], readings) for row in rows]
    studies = studies_of(connection, rows, [calipers for _, calipers in measured])
    return [
        (row, scoring.score_out(study.told_to(facts), study))
        for row, (facts, _), study in zip(rows, measured, studies, strict=True)
    ]
