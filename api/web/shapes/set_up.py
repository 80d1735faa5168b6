"""What is asked about a set-up before the first strip."""

from __future__ import annotations

from datetime import datetime
from typing import Literal
from uuid import UUID

from analysis.units import Unit
from api.web.shapes import Name, Out
from api.web.shapes.machines import MachineOut
from api.web.shapes.series import SeriesIn, StopHead


class SetUpIn(SeriesIn):
    """A series that may be started. kind: of its machine where that is a new one, `machine` being
    its name."""

    kind: Name | None = None


class AskedLengthOut(Out):
    """A length, by its field in a series, that no bench of this kind uses.

    proposed: what may have been meant, in the unit of the lengths, the likeliest first; empty where
    no usual slip explains it.
    """

    field: str
    sentence: str
    proposed: list[str]


class LengthOut(Out):
    """A length as it was understood. unit: the one typed with it, else the one asked in."""

    mm: float
    unit: Unit


class ProposedSettingsOut(Out):
    """The settings of a series as `POST /api/series` takes them, beside machine, stop and strips.
    A tolerance is null where a work is proposed, which says what is needed."""

    method: str
    baseline: str | None
    thickness: str | None
    unit: Unit
    inset: str
    strip_side: Literal["left", "right"]
    repeats: int
    pieces: int | None
    tolerance_deg: str | None
    tolerance_gap: str | None
    tolerance_joint: str | None
    tolerance_length: str | None
    tolerance_nominal: str | None
    person: str | None
    baseline_within: str | None
    inset_within: str | None
    straightness: str | None
    thickness_within: str | None
    jaw_width: str | None


class ProposedWorkOut(Out):
    """work: null for a usual one that the store does not have yet; a series that names it makes it
    one of the shop's own. need: what it needs, in words. note: where a usual need comes from.
    before: whether this machine was measured for it. chosen: whether it is the work of last time,
    or the one asked for."""

    work: UUID | None
    name: str
    unit: Unit
    tolerance_deg: str | None
    gap: str | None
    joint: str | None
    need: str
    note: str | None
    before: bool
    chosen: bool


class PlannedStripsOut(Out):
    """strips: proposed for the series' `strips`; null where no number that anybody cuts would tell.
    by_history: whether the stop's own earlier series gave it."""

    strips: int | None
    by_history: bool
    sentence: str


class ProposedOut(Out):
    """What the next series of a stop may be set up with.

    machine, stop: null for a machine that is not on record yet. series: that the settings are of,
    null where nothing was measured; measured_at: when. same_stop: whether it was cut at this stop.
    settings: null where they do not fit this stop, or are another machine's; method and unit are
    then all that is proposed, as far as they fit. works: the chosen one first, then those of this
    machine, the others, and usual ones to start with.
    """

    machine: MachineOut | None
    stop: StopHead | None
    series: UUID | None
    measured_at: datetime | None
    same_stop: bool
    method: str | None
    unit: Unit | None
    settings: ProposedSettingsOut | None
    works: list[ProposedWorkOut]
    strips: PlannedStripsOut
