"""Answers about a machine's history."""

from __future__ import annotations

from datetime import datetime
from typing import Literal
from uuid import UUID

from analysis.conformity import Verdict
from api.web.shapes import IntervalOut, MachineOut, Out, SetupChangeOut


class CheckOut(Out):
    """The mean of a series with its expanded uncertainty at 95 % (JCGM 100); sd of one trial."""

    unit: Literal["deg", "mm"]
    trials: int
    mean: float
    sd: float | None
    expanded_uncertainty: float
    coverage_factor: float
    verdict: Verdict | None
    half: Literal["left", "right"] | None


class StandingOut(Out):
    """The state of a machine; verdict null where there is none or it no longer holds.

    setup_change: the one since which nothing was measured.
    """

    sentence: str
    verdict: Verdict | None
    series: UUID | None
    quantity: str | None
    checked_at: datetime | None
    setup_change: UUID | None


class HistorySeries(Out):
    """A series in a history. `quantities` is empty for a study of a caliper, and before the
    first complete trial; `verdict` is the worst of them."""

    id: UUID
    method: str
    started_at: datetime
    finished_at: datetime | None
    trials: int
    quantities: dict[str, CheckOut]
    verdict: Verdict | None
    calipers: list[str]


class PhaseOut(Out):
    """Checks `start` to `stop` (exclusive) of the drift's lists. Limits: centre +- 3 sigma from
    the mean moving range (ISO 7870-2, individuals); null with too few checks or no scatter."""

    start: int
    stop: int
    setup_changes: list[UUID]
    checks: int
    centre: float | None
    sigma: float | None
    lower: float | None
    upper: float | None
    mean_range: float | None
    range_upper: float | None
    out: list[UUID]
    range_out: list[UUID]
    sentence: str


class ShiftOut(Out):
    """A lasting shift: the series at which it most likely began, and from which to which it may
    have (95 %). p: how often shuffled checks look as clearly divided."""

    phase: int
    series: UUID
    at: datetime
    first: UUID
    first_at: datetime
    last: UUID
    last_at: datetime
    before: float
    after: float
    p: float
    sentence: str


class EwmaOut(Out):
    """Exponentially weighted moving average of the last phase, whose first check is `start`
    (NIST e-Handbook 6.3.2.4)."""

    start: int
    weight: float
    width: float
    values: list[float]
    lower: list[float]
    upper: list[float]
    out: list[UUID]


class DriftOut(Out):
    """One quantity by one method through the years, one value for each series.

    half: of the fence, where the method judges one. A length is given as its error from the
    nominal length, so only series with one take part.
    """

    method: str
    quantity: Literal["angle", "tilt", "length"]
    half: Literal["left", "right"] | None
    unit: Literal["deg", "mm"]
    series: list[UUID]
    at: list[datetime]
    values: list[float]
    expanded_uncertainty: list[float]
    phases: list[PhaseOut]
    suspected_shifts: list[ShiftOut]
    ewma: EwmaOut | None
    sentence: str


class FenceHalvesOut(Out):
    """A roll with the board on each side of the blade: the two halves of the fence.

    out_of_line_deg: the left half's error minus the right half's. mean_deg: what a reversal
    shows of the two. agrees: whether the reversal does; null without one.
    """

    left: UUID
    right: UUID
    reversal: UUID | None
    left_deg: float
    left_expanded_deg: float
    right_deg: float
    right_expanded_deg: float
    out_of_line_deg: float
    interval: IntervalOut | None
    in_line: bool
    mean_deg: float
    mean_expanded_deg: float | None
    agrees: bool | None
    sentence: str


class HistoryOut(Out):
    """`drift` by "method/quantity", and "/left" or "/right" where a half of the fence is judged."""

    machine: MachineOut
    standing: StandingOut
    series: list[HistorySeries]
    setup_changes: list[SetupChangeOut]
    drift: dict[str, DriftOut]
    fence_halves: FenceHalvesOut | None
