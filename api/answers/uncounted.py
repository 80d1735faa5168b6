"""The readings of a series that are in no trial, and why, so that none disappears."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal
from uuid import UUID

from sqlalchemy import Connection

from api.store.log import read_series
from capture import pairing
from capture.records import Press, Reading

Why = Literal["bounced", "taken back", "closed jaws"]


@dataclass(frozen=True, slots=True)
class Uncounted:
    """A reading that no trial holds, and why."""

    reading: Reading
    why: Why


def uncounted(
    connection: Connection, series_id: UUID, counted: Collection[UUID]
) -> tuple[Uncounted, ...]:
    """The readings that the bench heard while it fed a series and that no trial holds, in order.

    From the bench's log, replayed. counted: the ids of the readings that trials hold.
    """
    folding = pairing.Folding()
    heard: list[tuple[Press, pairing.OutcomeKind]] = []
    for entry in read_series(connection, series_id):
        outcome = folding.take(entry)
        if not isinstance(entry, Press) or outcome.kind == "no series":
            continue
        if entry.reading.id not in counted:
            heard.append((entry, outcome.kind))
    bounced = {reading.id for reading in folding.state.latest.set_aside}
    return tuple(Uncounted(press.reading, _why(press, kind, bounced)) for press, kind in heard)


def _why(press: Press, kind: pairing.OutcomeKind, bounced: set[UUID]) -> Why:
    if press.reading.id in bounced:
        return "bounced"
    if kind in ("taken back", "nothing to take back"):
        return "closed jaws"
    return "taken back"
