"""What is said beside a pull: about how many rows it will bring, and what made it."""

from __future__ import annotations

from typing import Final

from sqlalchemy import Connection, distinct, func, select

from api.exports.changed import changed_readings, changed_trials
from api.exports.wanted import Wanted
from api.store.tables import Reading, Series, Trial

HEADER: Final = "Expected-Rows"
MADE_BY_HEADER: Final = "Made-By"


def expected_rows(connection: Connection, what: str, wanted: Wanted) -> int | None:
    """The rows of a whole table, or of what is new; None where only reading them would tell."""
    if wanted.since is not None or what not in ("trials", "readings"):
        return None
    narrowed = wanted.machine is not None or wanted.method is not None
    if wanted.after is not None:
        if narrowed:
            return None
        changed = (changed_trials if what == "trials" else changed_readings)(connection, wanted)
        ids = changed.subquery()
        return connection.scalar(select(func.count(distinct(ids.c[0]))).select_from(ids))
    if what == "trials":
        count = select(func.count()).select_from(Trial).where(Trial.state != "gone")
        if narrowed:
            count = wanted.of_series(count.join(Series, Series.id == Trial.series_id))
        return connection.scalar(count)
    return None if narrowed else connection.scalar(select(func.count()).select_from(Reading))
