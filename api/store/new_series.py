"""The settings of a new series, checked, on their way into the store."""

from __future__ import annotations

from collections.abc import Sequence
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


class PastSeries(NamedTuple):
    """A series that is over, with its machine's name and kind in place of `new.machine_id`."""

    machine: str
    kind: str
    new: NewSeries
    readings: Sequence[records.Reading]
    began: datetime
    ended: datetime
