"""The readings of a series that stand in no trial, and why: nothing that was heard is lost."""

from __future__ import annotations

from typing import Any, Literal

from sqlalchemy import Connection, Row, select

from analysis.units import mm
from api.shapes import AsideOut
from api.store.log import read_series
from api.store.tables import Trial, TrialReading
from capture import pairing
from capture.records import Finish, Press

Why = Literal["bounced", "taken back", "closed jaws"]


def aside(connection: Connection, series: Row[Any]) -> list[AsideOut]:
    """The readings that the bench heard while it fed `series` and that no trial holds, in order.

    From the bench's log, replayed; the trials say which readings stand.
    """
    standing = set(
        connection.scalars(
            select(TrialReading.reading_id)
            .join(Trial, Trial.id == TrialReading.trial_id)
            .where(Trial.series_id == series.id)
        )
    )
    folding = pairing.Folding()
    heard: list[tuple[Press, pairing.OutcomeKind]] = []
    for entry in read_series(connection, series.id):
        if isinstance(entry, Finish):
            break
        outcome = folding.take(entry)
        if isinstance(entry, Press) and entry.reading.id not in standing:
            heard.append((entry, outcome.kind))
    bounced = {reading.id for reading in folding.state.set_aside}
    found = []
    for press, kind in heard:
        reading = press.reading
        why: Why = "taken back"
        if reading.id in bounced:
            why = "bounced"
        elif kind in ("taken back", "nothing to take back"):
            why = "closed jaws"
        found.append(
            AsideOut(
                id=reading.id,
                sent=reading.sent,
                unit=reading.unit,
                mm=mm(reading.nm),
                caliper=reading.caliper,
                origin=reading.origin,
                taken_at=reading.taken_at,
                why=why,
            )
        )
    return found
