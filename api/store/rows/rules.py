"""By which rules the verdicts of a store were said."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, Row, select

from api.store.tables import RulesSaid, Series


def last_said(connection: Connection) -> Row[Any] | None:
    """The row of `tables.RulesSaid` with the greatest number; None where there is none."""
    table = RulesSaid.__table__
    return connection.execute(select(table).order_by(table.c.rules.desc()).limit(1)).first()


def judged(connection: Connection) -> list[Any]:
    """The ids of all series with a tolerance, the newest first."""
    given = (
        Series.tolerance_deg.is_not(None)
        | Series.tolerance_gap.is_not(None)
        | Series.tolerance_length.is_not(None)
    )
    query = select(Series.id).where(given).order_by(Series.started_at.desc(), Series.id.desc())
    return list(connection.scalars(query))
