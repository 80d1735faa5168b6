"""The readings of a series that are in no trial, and why, so that none disappears."""

from __future__ import annotations

from collections.abc import Sequence
from uuid import UUID

from sqlalchemy import Connection

from api.store.log import all_in_trials, read_series
from capture import folded, pairing
from capture.records import Corrected, MoveIn, Press


def uncounted(connection: Connection, series_id: UUID) -> Sequence[folded.Aside]:
    """The readings that the bench heard while it fed a series, or that were moved to it, and that
    no trial holds, in order.

    From the bench's log, replayed: where each is in a trial, that need not be.
    """
    if all_in_trials(connection, series_id):
        return ()
    heard: dict[UUID, None] = {}
    folding = pairing.Folding()
    for entry in read_series(connection, series_id):
        outcome = folding.take(entry)
        if isinstance(entry, Press) and outcome.kind != "no series":
            heard[entry.reading.id] = None
        if isinstance(entry, Corrected) and isinstance(entry.act, MoveIn):
            placed = (each for trial in entry.act.trials for each in trial.slots if each)
            heard |= dict.fromkeys(each.reading.id for each in placed)
    aside = folding.state.latest.aside
    return tuple(aside[each] for each in heard if each in aside)
