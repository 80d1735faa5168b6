"""Answers about a machine's history."""

from __future__ import annotations

from datetime import datetime
from typing import Literal
from uuid import UUID

from analysis.conformity import Verdict
from api.answers.urgency import Urgency
from api.web.shapes import Out
from api.web.shapes.machines import MachineOut, SetupChangeOut
from api.web.shapes.next_act import SinceChangeOut
from api.web.shapes.scores import IntervalOut
from api.web.shapes.series import StopHead


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


class StateOut(Out):
    """How a machine is, by what asks most for something to be done; verdict null where there is
    none or it no longer holds. setup_change: the one since which nothing was measured."""

    sentence: str
    verdict: Verdict | None
    series: UUID | None
    quantity: str | None
    checked_at: datetime | None
    setup_change: UUID | None


class StopResultOut(Out):
    """What the series says that a stop is known by. tends: which way it is off, in words, empty
    for a length; off_in_tolerances: 1 at the limit of its tolerance, 0 without one; work: the name
    of the work that it was measured for."""

    unit: Literal["deg", "mm"]
    mean: float
    expanded_uncertainty: float
    tends: str
    off_in_tolerances: float
    work: str | None


class StopStandingOut(StateOut):
    """The state of one stop, and until when it may be trusted.

    good_until: the date of its next check, null where that is due now; chance: of being out by
    then, null where its checks are too few to tell. until: both with the reason, in a sentence.
    check_days: a person's own interval. urgency: its verdict; "not known" where there is none or it
    no longer holds, and "due" where it was good enough and is past its date. result: null where
    nothing was found; caveat: why it may no longer apply, empty where it does.
    """

    stop: StopHead
    urgency: Urgency
    result: StopResultOut | None
    caveat: str
    check_days: int | None
    good_until: datetime | None
    chance: float | None
    until: str


class StandingOut(StateOut):
    """The state of a machine: of its worst stop, named where it has several, and of each stop.
    urgency: that of its most urgent stop; `square` counts only where it was measured, or where no
    other stop was."""

    urgency: Urgency
    stops: list[StopStandingOut]


class ListedMachine(MachineOut):
    """A machine in the list, with each of its stops. urgency: as in its standing."""

    urgency: Urgency
    stops: list[StopStandingOut]


class HistorySeries(Out):
    """A series in a history. `quantities` is empty for a study of a caliper, and before the
    first complete trial; `verdict` is the worst of them."""

    id: UUID
    stop: StopHead
    method: str
    started_at: datetime
    finished_at: datetime | None
    trials: int
    quantities: dict[str, CheckOut]
    verdict: Verdict | None
    calipers: list[str]


class PhaseOut(Out):
    """Checks `start` to `stop` (exclusive) of the drift's lists.

    since: the first check after the last lasting change in the phase, else its first. centre,
    sigma: mean and scatter of one check since then, each check weighted by its uncertainty;
    `between` the part of sigma that is none of the check's own (Paule and Mandel). lower, upper:
    the next check is told as outside beyond them; null with too few checks. out: the checks that
    were outside when they came.
    """

    start: int
    stop: int
    since: int
    setup_changes: list[UUID]
    checks: int
    centre: float | None
    sigma: float | None
    between: float | None
    lower: float | None
    upper: float | None
    out: list[UUID]
    sentence: str


class ShiftOut(Out):
    """A lasting shift: the series at which it most likely began, and from which to which it may
    have (95 %). told_at: the series after which it was told. p: how often shuffled checks look
    as clearly divided."""

    phase: int
    series: UUID
    at: datetime
    first: UUID
    first_at: datetime
    last: UUID
    last_at: datetime
    told_at: UUID
    before: float
    after: float
    p: float
    sentence: str


class CreepOut(Out):
    """A steady change from series `first` to series `last`; before, after: there. told_at: the
    series after which a change was told first."""

    phase: int
    first: UUID
    first_at: datetime
    last: UUID
    last_at: datetime
    told_at: UUID
    before: float
    after: float
    sentence: str


class DriftOut(Out):
    """One quantity by one method at one stop through the years, one value for each series: its
    error from nominal, for an angle from nominal_deg.

    half: of the fence, where the method judges one. stop: its name. A length is given as its error
    from the nominal length; parts without one have lines of their own, by their length, and are
    given by how much longer they are than part_mm, the first. expected: beyond which two values
    each would be outside what the checks of its phase before it led to expect; null with too few.
    Of a stable machine, looked at after each of 40 checks, any change is told in at most 5 % of
    histories, by `out`, shifts and creeps together.
    """

    method: str
    quantity: Literal["angle", "tilt", "length"]
    half: Literal["left", "right"] | None
    stop: str
    nominal_deg: float
    part_mm: float | None = None
    unit: Literal["deg", "mm"]
    series: list[UUID]
    at: list[datetime]
    values: list[float]
    expanded_uncertainty: list[float]
    expected: list[tuple[float, float] | None]
    phases: list[PhaseOut]
    suspected_shifts: list[ShiftOut]
    creeps: list[CreepOut]
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
    """`drift` by "method/quantity", and "/left" or "/right" where a half of the fence is judged; at
    a stop other than `square`, " at " and its name follow. since_change: what the latest
    change did, by the series since then."""

    machine: MachineOut
    standing: StandingOut
    series: list[HistorySeries]
    setup_changes: list[SetupChangeOut]
    drift: dict[str, DriftOut]
    fence_halves: FenceHalvesOut | None
    since_change: list[SinceChangeOut]
