"""The settings of a new series, checked, on their way into the store."""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

from analysis.methods import Method
from capture import records


@dataclass(frozen=True, slots=True)
class NewSeries:
    """The settings of a new series; fields as in `tables.Series`."""

    machine_id: UUID
    bench: str
    method: Method
    unit: str
    baseline: str | None
    baseline_nm: int | None
    thickness: str | None
    thickness_nm: int | None
    inset: str
    inset_nm: int
    strip_side: str
    repeats: int
    pieces: int | None = None
    tolerance_deg: str | None = None
    tolerance_gap: str | None = None
    tolerance_joint: str | None = None
    tolerance_length: str | None = None
    tolerance_nominal: str | None = None
    note: str | None = None
    person: str | None = None
    baseline_within: str | None = None
    inset_within: str | None = None
    straightness: str | None = None
    thickness_within: str | None = None
    jaw_width_nm: int | None = None
    strips: int | None = None
    readings_unit: str | None = None
    stop_id: UUID | None = None  # None: the machine's `square`
    work_id: UUID | None = None


class PastStop(NamedTuple):
    """A stop by its name, with the angles that it is made with where the machine has none."""

    name: str
    nominal_deg: str
    bevel_deg: str


class PastSeries(NamedTuple):
    """A series that is over, with its machine's name and kind in place of `new.machine_id`, and its
    stop in place of `new.stop_id`; None is `square`. away: the readings with which another visit
    to it begins."""

    machine: str
    kind: str
    new: NewSeries
    readings: Sequence[records.Reading]
    began: datetime
    ended: datetime
    stop: PastStop | None = None
    away: frozenset[UUID] = frozenset()

    def entries(self, unknown: Container[UUID]) -> list[records.Press | records.Away]:
        """What is said of it: the readings that the store does not have, and where the machine was
        swung away and back between them."""
        entries: list[records.Press | records.Away] = []
        for reading in self.readings:
            if reading.id in unknown:
                entries += [records.Away()] if entries and reading.id in self.away else []
                entries.append(records.Press(reading))
        return entries
