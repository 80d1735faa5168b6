"""A series with its trials, its score, and what was done in it."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal
from uuid import UUID

from pydantic import Field

from analysis.units import Unit
from api.answers.settings import FEWEST_PIECES, MOST_PIECES, MOST_STRIPS
from api.web.shapes import BenchName, In, LengthText, Millimetres, Name, Note, Out
from api.web.shapes.machines import MachineOut
from api.web.shapes.scores import DoubtOut, ScoreOut, ToleranceOut, TrendOut, VisitsOut
from api.web.shapes.sentences import SentencePartOut
from capture.folded import Why
from capture.records import Origin
from capture.spec import MAIN_BENCH


class SeriesIn(In):
    """A series to start. Lengths are in `unit`.

    stop: one of the machine's, by id or name. inset: from the strip's end to the middle of the
    jaws' contact. strip_side: the side of
    the blade to which the strip fell at the last cut. repeats: how often each place is read
    before the next. unit is needed with any length, strip_side where the side sets the sign.
    baseline_within, thickness_within, inset_within, straightness: how far the baseline, the
    thickness, the inset, and edge or fence from straight, may be off; without them usual bounds
    are used. jaw_width: of the caliper's flat jaws; without it, what is said of the caliper at
    the bench. A tolerance is an
    angle, or a gap over a joint's length, or so much more or less than a nominal length.
    work: by id or name, what the verdict is for; it says what is needed in place of a tolerance.
    strips: how many are planned; a verdict at the end of exactly so many needs to allow for no
    look before it, so none is given earlier. Left out, the series may be looked at at any time.
    """

    machine: Name
    stop: Name = "square"
    method: Name
    bench: BenchName = MAIN_BENCH
    baseline: LengthText | None = None
    thickness: LengthText | None = None
    unit: Unit | None = None
    inset: LengthText = "0"
    strip_side: Literal["left", "right"] | None = None
    repeats: Annotated[int, Field(ge=1, le=100)] | None = None
    pieces: Annotated[int, Field(ge=FEWEST_PIECES, le=MOST_PIECES)] | None = None
    tolerance_deg: LengthText | None = None
    tolerance_gap: LengthText | None = None
    tolerance_joint: LengthText | None = None
    tolerance_length: LengthText | None = None
    tolerance_nominal: LengthText | None = None
    note: Note | None = None
    person: Name | None = None
    baseline_within: LengthText | None = None
    inset_within: LengthText | None = None
    straightness: LengthText | None = None
    thickness_within: LengthText | None = None
    jaw_width: LengthText | None = None
    strips: Annotated[int, Field(ge=1, le=MOST_STRIPS)] | None = None
    work: Name | None = None


class StopHead(Out):
    """The stop of a series: the setting of its machine that was measured. nominal_deg: positive
    where the open end of the cut leans to the right."""

    id: UUID
    name: str
    nominal_deg: float
    bevel_deg: float


class SeriesHead(Out):
    """A series without its trials. Angles are errors from the stop's nominal one."""

    id: UUID
    machine: MachineOut
    stop: StopHead
    method: str
    bench: str
    baseline: str | None
    thickness: str | None
    unit: Unit
    inset: str
    strip_side: Literal["left", "right"]
    repeats: int
    pieces: int | None
    tolerance: ToleranceOut | None
    note: str | None
    person: str | None
    baseline_within: str | None
    inset_within: str | None
    straightness: str | None
    thickness_within: str | None
    jaw_width: str | None
    strips: int | None
    started_at: datetime
    finished_at: datetime | None
    readings_unit: Unit | None
    work: UUID | None = None


class TrialReadingOut(Out):
    id: UUID
    place: str
    sent: str
    unit: Unit
    mm: Millimetres
    caliper: str
    origin: Origin
    taken_at: datetime


class TrialOut(Out):
    """One strip or part. Values are null until it is complete, or where not revealed. visit: the
    machine was not moved away from its stop between trials of the same one.

    left out: by a correction; it is shown, and does not count.
    """

    id: UUID
    series: UUID
    number: int
    visit: int
    state: Literal["open", "complete", "left out", "gone"]
    flags: list[str]
    readings: list[TrialReadingOut]
    deviation_mm: Millimetres | None
    angle_deg: float | None
    tilt_deg: float | None
    length_mm: float | None
    expanded_uncertainty_deg: float | None
    taken_at: datetime | None


class AsideOut(Out):
    """A reading of the series that is in no trial, and why.

    bounced: the button sent it twice. awaiting: it can hardly be right, and nobody has answered
    yet. replaced: another reading took its place. taken back: the person took it back. closed
    jaws: it took another one back. All but the last can be restored.
    """

    id: UUID
    sent: str
    unit: Unit
    mm: Millimetres
    caliper: str
    origin: Origin
    taken_at: datetime
    why: Why


class ChangeOut(Out):
    """One correction as it stands in the trail.

    act: shared by the changes of one request. who: the person who was named, else the pass.
    through: the name of the pass by which it came. subject: an id, or the name that a caliper is
    heard under. field: the setting, or of a trial `counted`, `ends`, `moved` or `moved out`, or
    `reading`. undoes: the change that this one undoes. undone: another one undoes this.
    """

    id: UUID
    act: UUID
    at: datetime
    who: str | None
    through: str | None
    reason: str | None
    subject_kind: Literal["series", "machine", "stop", "work", "caliper", "setup change"]
    subject: str
    series: UUID | None
    trial: int | None
    reading: UUID | None
    field: str
    before: Any
    after: Any
    undoes: UUID | None
    undone: bool


class ActOut(Out):
    """What was done in a series besides measuring, as its log has it.

    kind: `start`, `finish`, `resume`, `take back`, `swap ends`, `restore`, `away`, `stayed`, `ask`
    (a question of the program), or a correction of its trials. who, through: as of a change; null
    at the server's own computer where nobody was named. trial, reading: named by who did it.
    change: the correction that it is.
    """

    id: UUID
    at: datetime
    kind: str
    who: str | None
    through: str | None
    trial: int | None
    reading: UUID | None
    change: UUID | None


class ProgressOut(Out):
    """How far a series is. strips: complete ones that count, whatever the method's trials are
    called. planned: of how many; null where no number was said. enough: the planned number is
    reached, or without one, the verdict is told. sentence: also what would tell, where neither is
    so; sentence_parts: the same, cut at its measures."""

    strips: int
    planned: int | None
    enough: bool
    sentence: str
    sentence_parts: list[SentencePartOut]


class SeriesOut(SeriesHead):
    """A series with its trials. `doubts` and `trend`: empty where the method judges no machine.
    corrections: in order. visits: by quantity, empty while there is one visit. actual_deg: the
    angle that the machine cuts at the stop, its nominal one and the mean error; null where the
    method does not say which way a cut leans."""

    nominal_deg: float
    actual_deg: float | None
    trials: list[TrialOut]
    score: ScoreOut
    progress: ProgressOut
    doubts: list[DoubtOut]
    trend: dict[str, TrendOut]
    visits: dict[str, VisitsOut]
    aside: list[AsideOut]
    corrections: list[ChangeOut]
