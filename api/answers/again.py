"""A series once more, with the settings of one before."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from uuid import UUID

from sqlalchemy import Connection

from api.answers.next_act import next_act
from api.answers.planned_strips import planned_strips
from api.answers.settings import TOLERANCES, as_asked, new_series
from api.answers.works import for_series
from api.store.facts import method_of, tolerance_of
from api.store.new_series import NewSeries
from api.store.rows.series import series
from api.store.rows.works import work


def again(
    connection: Connection,
    series_id: UUID,
    bench: str | None = None,
    strips: int | None = None,
    changed: bool = False,
) -> NewSeries:
    """The settings of a series for the next one of the same machine and stop; what its work needs
    is as it is now. Its note was of that day, and is left out.

    strips: None for as many as by the stop's history tell now; where it does not say, as before.
    changed: something is done to the machine in between.
    Raises NotFound where no series has that id.
    """
    row = series(connection, series_id)
    follows = method_of(row)
    asked = replace(as_asked(dict(row._mapping)), note=None, bench=bench or row.bench)
    if strips is not None:
        asked = replace(asked, strips=strips)
    if row.work_id is not None:
        none: dict[str, Any] = dict.fromkeys(TOLERANCES)
        asked = for_series(work(connection, row.work_id), replace(asked, **none))
    made = new_series(asked, row.machine_id, {follows.key: follows}, row.jaw_width_nm)
    made = replace(made, work_id=row.work_id)
    if strips is None:
        plan = planned_strips(connection, row, tolerance_of(made), changed=changed)
        if plan.by_history:
            made = replace(made, strips=plan.strips)
    return made


def proposed_move(connection: Connection, series_id: UUID) -> str | None:
    """What a note says of the move that a series proposes; None where it proposes none."""
    found = next_act(connection, series_id)
    return f"As proposed: {found.instruction}" if found.act == "adjust" else None
