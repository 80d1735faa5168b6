"""Bodies of requests and answers over HTTP, as the OpenAPI document shows them."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Final, Literal
from uuid import UUID

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    field_validator,
)
from pydantic_core import PydanticCustomError

from analysis.in_hand import Act
from analysis.sentences import MeasureUnit
from analysis.units import Unit
from api.answers.moments import aware
from api.answers.settings import (
    FEWEST_PIECES,
    LONGEST_NAME,
    LONGEST_NOTE,
    MOST_PIECES,
    MOST_STRIPS,
    UNSEEN,
    is_plain,
)
from api.store.authors import Author
from api.store.trail import By, Seen
from capture.folded import Why
from capture.lines import LONGEST
from capture.records import CaliperCondition, Origin
from capture.spec import MAIN_BENCH
from capture.values import LONGEST_PATTERN


class In(BaseModel):
    """A request's body: an unknown field is an error, not ignored."""

    model_config = ConfigDict(
        extra="forbid", str_strip_whitespace=True, json_schema_extra=lambda shape: _say_nul(shape)
    )

    @field_validator("*", mode="before")
    @classmethod
    def _without_nul(cls, value: object) -> object:
        # PostgreSQL's text and the system's names cannot contain it, and no display shows it.
        texts = value if isinstance(value, list) else [value]
        if any(isinstance(text, str) and "\0" in text for text in texts):
            raise PydanticCustomError(
                "nul", "must not contain a NUL; send what was received, escaped"
            )
        return value


def _say_nul(shape: Any) -> None:
    """Say of each text in a body's schema that it holds no NUL, unless what is said is narrower."""
    parts = list(shape.get("properties", {}).values())
    for part in parts:
        if part.get("type") == "string" and part.keys().isdisjoint(("pattern", "format", "enum")):
            part["pattern"] = "^[^\\u0000]*$"
        parts += part.get("anyOf", [])
        parts += [part["items"]] if "items" in part else []


class Out(BaseModel):
    model_config = ConfigDict(from_attributes=True)


class EmptyIn(In):
    """Nothing. A request that changes something has a body all the same: its type shows that it
    comes from a program, not from a page of another site."""


def _as_text(value: object) -> object:
    """A length given as a JSON number is taken as the digits it shows."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return repr(value)
    return value


def _plausible(value: datetime) -> datetime:
    # A caliper's clock may be years off, and its moments are kept as sent; beyond these years a
    # moment is a mistake that no view of a history could show.
    if not 1970 <= value.year <= 2200:
        raise PydanticCustomError("moment", "must be a moment between 1970 and 2200")
    return value


def _plain(value: str) -> str:
    if not is_plain(value):
        raise PydanticCustomError("plain", "must be plain words, without control characters")
    return value


When = Annotated[
    datetime,
    AfterValidator(_plausible),
    Field(json_schema_extra={"pattern": "^(19[7-9][0-9]|2[01][0-9]{2}|2200)-"}),
]


LengthText = Annotated[str, BeforeValidator(_as_text), Field(max_length=40)]
"""A length as written, so that "8.026" stays exact."""
Millimetres = float
"""Of a whole number of nanometres: the shortest JSON number that reads back is that decimal."""
Name = Annotated[
    str,
    StringConstraints(min_length=1, max_length=LONGEST_NAME, strip_whitespace=True),
    AfterValidator(_plain),
    # Something is left without the spaces around it.
    Field(json_schema_extra={"pattern": f"^ *[^ {UNSEEN}][^{UNSEEN}]*$"}),
]
BenchName = Annotated[
    Name,
    StringConstraints(pattern=r"^[^/\\]+$"),
    Field(json_schema_extra={"pattern": rf"^ *[^ /\\{UNSEEN}][^/\\{UNSEEN}]*$"}),
]
Note = Annotated[str, StringConstraints(max_length=LONGEST_NOTE)]

SetupChangeKind = Literal[
    "swung and back", "adjusted", "blade changed", "moved", "cleaned", "other"
]


class SignedIn(In):
    """who: the person who does it; left out, it is who holds the pass that asks, or nobody."""

    who: Name | None = None


class MachineIn(SignedIn):
    name: Name
    kind: Annotated[Name, StringConstraints(max_length=100)] = "other"


class CorrectionIn(SignedIn):
    """Who corrects, and why; both may be left out."""

    reason: Note | None = None

    def by(self, author: Author, seen: Seen | None = None) -> By:
        who, through = author.naming(self.who)
        return By(who, self.reason or None, seen, through)

    def given(self) -> dict[str, Any]:
        """The fields that are to be said otherwise, by name, always in the same order."""
        said = self.model_fields_set - {"who", "reason"}
        return {name: getattr(self, name) for name in type(self).model_fields if name in said}


class MachineChangeIn(CorrectionIn):
    """retired: out of the lists; its history stays."""

    name: Name | None = None
    kind: Annotated[Name, StringConstraints(max_length=100)] | None = None
    note: Note | None = None
    retired: bool | None = None


class MergeIn(CorrectionIn):
    """into: the machine that everything of this one belongs to from now on, by id or name."""

    into: Name


class MachineOut(Out):
    id: UUID
    name: str
    kind: str
    created_at: datetime
    note: str | None = None
    retired_at: datetime | None = None


class ToleranceOut(Out):
    """At most one kind of tolerance: an angle, a gap over a joint, or a length from nominal."""

    deg: str | None = None
    gap: str | None = None
    joint: str | None = None
    length: str | None = None
    nominal: str | None = None


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


class IntervalOut(Out):
    low: float
    high: float
    level: float


class ContributionOut(Out):
    source: str
    value: float | None
    unit: str
    distribution: str
    standard_uncertainty: float
    sensitivity: float
    contribution: float
    degrees_of_freedom: float | None


class OwnScatterOut(Out):
    """The scatter of the machine's single cuts, without that of caliper and hand; `hidden`: these
    two could explain all of it. sd: null without a study of them; the interval then holds for every
    usual hand."""

    sd: float | None
    interval: IntervalOut
    hidden: bool


class MeasureOut(Out):
    """A number in a sentence: value, with its expanded uncertainty where it is given, in `unit`;
    decimals: as many as the sentence shows in that unit."""

    value: float
    uncertainty: float | None
    unit: MeasureUnit
    decimals: int


class SentencePartOut(Out):
    """`text` as in the sentence; `measure` where it is a number with a unit."""

    text: str
    measure: MeasureOut | None


class QuantityOut(Out):
    """What the trials say of one quantity, in `unit`; null where too few say anything.

    expanded_uncertainty = coverage_factor * standard uncertainty of the mean, at 95 %
    (JCGM 100), for one look at so many trials. verdict by the rule of ISO 14253-1, on an interval
    that `rule` names: it holds however often one looks, or at the one look that was planned, or
    with the scatter of the machine's earlier series; statement says so in words. conformance is
    the probability of lying within the tolerance (JCGM 106). sentence_parts: the sentence cut at
    its measures, for a page that shows other units; their texts joined are `sentence`. scatter
    says in words what the scatter is of. prediction and tolerance_interval are of single cuts, of
    which a trial may average several (`cuts` of its method); where nothing is cut, of single
    trials.
    """

    unit: Literal["deg", "mm"]
    trials: int
    mean: float | None
    sd: float | None
    range: float | None
    expanded_uncertainty: float | None
    coverage_factor: float | None
    effective_degrees_of_freedom: float | None
    mean_interval: IntervalOut | None
    sd_interval: IntervalOut | None
    prediction: IntervalOut | None
    tolerance_interval: IntervalOut | None
    own_scatter: OwnScatterOut | None
    tolerance: float | None
    conformance: float | None
    verdict: Literal["good enough", "needs adjusting", "cannot tell yet"] | None
    rule: Literal["each look", "one look", "not yet", "earlier series"] | None
    statement: str
    direction: str
    sentence: str
    sentence_parts: list[SentencePartOut]
    scatter: str
    remedy: str | None
    budget: list[ContributionOut]


class StudyOut(Out):
    """What studies of the series' calipers say; null where not every one was studied.

    repeatability_mm: standard deviation of one reading by caliper and hand. scale_u, relative,
    and zero_u_mm: standard uncertainties of what is not corrected. same_spot and known_block:
    the series that they come from. The repeatability weighs its series by readings, age and person,
    from the first to the last of them; its degrees of freedom are those that count after that.
    """

    repeatability_mm: float | None
    repeatability_degrees_of_freedom: float | None
    scale_u: float | None
    zero_u_mm: float | None
    same_spot: list[UUID]
    known_block: list[UUID]
    repeatability_from: datetime | None
    repeatability_to: datetime | None


class ScoreOut(Out):
    """`study`: what is known of the calipers from studies, null where nothing is."""

    trials: int
    quantities: dict[str, QuantityOut]
    notes: list[str]
    study: StudyOut | None


class WithoutOut(Out):
    """A quantity without the doubtful trials."""

    trials: int
    mean: float | None
    expanded_uncertainty: float | None
    verdict: Literal["good enough", "needs adjusting", "cannot tell yet"] | None


class NowOut(Out):
    """What to do about a doubt while the strip is in the hand.

    trials: those that the acts are done to. acts: first the one that helps most. swap ends, leave
    out: of each of them; measure again: take back all readings of the newest trial; begin again:
    leave them out and take back what is read of the next one; other side: correct to which side of
    the blade the strip fell. Empty where only the next strip helps.
    """

    kind: str
    trials: list[int]
    sentence: str
    sentence_parts: list[SentencePartOut]
    acts: list[Act]


class DoubtOut(Out):
    """Trials, by number, that deserve a second look, and the score without them.

    They still count: nothing is left out. now: what to do at once; null where it is not about the
    newest trial, and has not come up with it.
    """

    kind: str
    trials: list[int]
    sentence: str
    now: NowOut | None
    without: dict[str, WithoutOut]


class VisitsOut(Out):
    """How a machine returned to its stop, from visit to visit, in the quantity's own unit.

    strips, means: of each visit. within: standard deviation of single strips of one visit; between:
    that of the stop itself from visit to visit, both with their intervals at 95 %, null where the
    one cannot be told from the other. returns: of one strip that is cut after going away and back.
    told: whether the visits differ by more than their strips explain. The result and the verdict of
    the series count visits, not strips.
    """

    strips: list[int]
    means: list[float]
    within: float | None
    within_interval: IntervalOut | None
    between: float | None
    between_interval: IntervalOut | None
    returns: float
    told: bool | None
    sentence: str


class TrendOut(Out):
    """How a quantity changed from the first trial to the last, in its own unit.

    creep: by the fitted line, with its interval and p (NIST e-Handbook 4.4.3); early and
    late: means of the two halves. Null where the cuts are too few. `shown`: more than
    chance explains, though it is asked anew after every cut.
    """

    cuts: int
    creep: float | None
    interval: IntervalOut | None
    p: float | None
    early: float | None
    late: float | None
    shown: bool
    sentence: str


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


class ReadingIn(In):
    """A reading as its bench kept it; sending it twice stores it once.

    pattern: by which the bench read the line, where one was set; the server reads it again. nm:
    the length that the bench read, which must be the same.
    """

    id: UUID
    bench: BenchName = MAIN_BENCH
    caliper: Name
    sent: Annotated[str, Field(min_length=1, max_length=LONGEST)]
    unit: Unit | None = None
    taken_at: Annotated[When, Field(description="with its zone; without one, UTC")]
    origin: Origin = "button"
    nm: Annotated[int, Field(ge=-(10**15), le=10**15)] | None = None
    since_previous_ms: Annotated[int, Field(ge=0, le=10**15)] | None = None
    late: bool = False
    pattern: Annotated[str, Field(max_length=LONGEST_PATTERN)] | None = None

    model_config = ConfigDict(extra="forbid", str_strip_whitespace=False)

    def moment(self) -> datetime:
        return aware(self.taken_at)


class RefusalIn(In):
    """What an instrument sent that is no reading, as its bench kept it."""

    id: UUID
    bench: BenchName = MAIN_BENCH
    caliper: Name
    text: Annotated[str, Field(max_length=4096)]
    reason: Annotated[str, Field(max_length=1000)]
    heard_at: When


class CaliperIn(In):
    name: Name
    state: CaliperCondition
    message: Annotated[str, Field(max_length=1000)] = ""
    last_heard: When | None = None


class CalipersIn(In):
    """The states of the instruments of a bench elsewhere; `sent_at` by that bench's clock."""

    calipers: Annotated[list[CaliperIn], Field(max_length=1000)]
    sent_at: When


class ClockOut(Out):
    """How far the bench's clock is behind the server's (negative: ahead)."""

    behind_ms: int


class OutcomeOut(Out):
    """What became of a reading that was stored now: kept, complete, taken back, bounced, ...

    question: what is asked about one that waits for an answer (`asked`), in a sentence; only there.
    """

    id: UUID
    kind: str
    question: str | None = Field(None, exclude_if=lambda said: said is None)


class NotTakenOut(Out):
    """What can't be stored, by its id as it was sent, and why."""

    id: str | None
    why: str


class AcknowledgementOut(Out):
    """How many were stored now and how many were known already; those refused are neither."""

    stored: int
    known: int
    outcomes: list[OutcomeOut] = []
    refused: list[NotTakenOut] = []


class NextOut(Out):
    """Where the next reading goes; `index` counts the method's places from 0."""

    trial: int
    place: str
    label: str
    index: int
    repeat: int
    repeats: int


class ReadingOut(Out):
    """A reading and what became of it; `next`: where the one after it goes, null where no series
    ran or where an earlier version stored the event. question, asked: what is asked about it, in a
    sentence and as its kind; null where nothing is."""

    id: UUID
    bench: str
    caliper: str
    sent: str
    unit: Unit
    mm: Millimetres
    taken_at: datetime
    origin: Origin
    outcome: str
    trial: int | None
    place: str | None
    next: NextOut | None = None
    question: str | None = None
    asked: str | None = None


class RefusalOut(Out):
    """What an instrument sent that is no reading, as received, and why not."""

    id: UUID
    bench: str
    caliper: str
    text: str
    reason: str
    heard_at: datetime


class CaliperOut(Out):
    """The state of a caliper. name: what it is called; heard_as: the name it is heard under."""

    name: str
    heard_as: str
    bench: str
    state: str
    message: str
    last_heard: datetime | None


class AwaitingOut(Out):
    """A reading that waits for an answer, and what is asked about it, in a sentence; asked: the
    kind of question."""

    id: UUID
    sent: str
    question: str
    asked: str


class BenchOut(Out):
    """The state of a bench. clock_behind_ms: how far the clock of a bench elsewhere is behind
    the server's (negative: ahead), as last compared; null for one whose instruments are here.
    ended: the series that ended last (with a trial, where any has), while none runs. awaiting: the
    reading that waits for an answer, null where none does."""

    name: str
    series: SeriesHead | None
    ended: SeriesHead | None
    next: NextOut | None
    last_reading: ReadingOut | None
    awaiting: AwaitingOut | None
    calipers: list[CaliperOut]
    pretend: bool
    clock_behind_ms: int | None
    last_event: int


class TakeBackIn(SignedIn):
    reading: UUID | None = None


class SwapEndsIn(SignedIn):
    trial: Annotated[int, Field(ge=1)] | None = None


class AwayIn(SignedIn):
    """to_deg: the angle that the machine was swung to."""

    to_deg: LengthText | None = None


class RestoreIn(SignedIn):
    reading: UUID


class StrokeIn(In):
    key: Annotated[str, Field(max_length=40)]
    code: Annotated[str, Field(max_length=40)]
    shift: bool = False
    at_ms: Annotated[float, Field(allow_inf_nan=False)]


_MOST_STROKES: Final = 300  # more than the longest line, so that it is refused in words
Strokes = Annotated[list[StrokeIn], Field(min_length=1, max_length=_MOST_STROKES)]


class KeysIn(In):
    """A burst of keys caught by the page, its end key included. broken_at: before which stroke
    there was a pause that no caliper makes, so that it can't be known what belongs together."""

    id: UUID
    strokes: Strokes
    taken_at: When
    unit: Unit | None = None
    broken_at: Annotated[int, Field(ge=1, le=_MOST_STROKES)] | None = None

    def moment(self) -> datetime:
        return aware(self.taken_at)


class KeysOut(Out):
    """What became of the burst: a reading that was kept, or why it is not one."""

    kept: bool
    sent: str
    origin: Origin | None = None
    reason: str | None = None


class PressedOut(Out):
    """What an instrument sent; it is not yet a reading that was kept."""

    sent: str


class SetupChangeIn(SignedIn):
    machine: Name
    kind: SetupChangeKind
    at: When | None = None
    note: Note | None = None

    def moment(self) -> datetime | None:
        return None if self.at is None else aware(self.at)


class SetupChangeChangeIn(CorrectionIn):
    """withdrawn: it did not happen; it counts nowhere."""

    kind: SetupChangeKind | None = None
    at: When | None = None
    note: Note | None = None
    withdrawn: bool | None = None


class PersonIn(In):
    """One of both. anonymous: a name that is nobody's, which is the answer's."""

    name: Name | None = None
    anonymous: bool = False


class PersonOut(Out):
    id: UUID
    name: str


class RenamedOut(PersonOut):
    """still: where the old name is still, and what to do about it, in sentences."""

    still: list[str]


class SetupChangeOut(Out):
    id: UUID
    machine: UUID
    kind: str
    at: datetime
    note: str | None
    withdrawn: bool = False


class PlaceOut(Out):
    key: str
    label: str
    along: float
    up: float


class MethodOut(Out):
    """cuts: the weight of each cut in the value of a trial; of a method of several pieces those of
    one piece, each then divided by their number; none where nothing is cut. ways: by quantity, what
    stands beside a positive and a negative number of it: "leans right". judges: a machine, the hand
    that holds the caliper, or the caliper itself."""

    key: str
    title: str
    summary: str
    places: list[PlaceOut]
    baseline: str | None
    optional_baseline: str | None
    needs_thickness: bool
    sided: bool
    noun: str
    reveals: list[str]
    ways: dict[str, list[str]]
    closed_jaws: bool
    default_repeats: int
    pieces: int | None
    cuts: list[float]
    cautions: list[str]
    traps: list[str]
    judges: Literal["machine", "hand", "caliper"]


class StoreOut(Out):
    """The store as a bench's page needs to know it. message: what is wrong with it and what to do,
    empty where all is well; kept_beside: how many presses are kept beside it meanwhile, of all
    benches, and `last` the last of this bench."""

    message: str
    kept_beside: int
    last: ReadingOut | None


class WrongField(Out):
    """field: of the body, with dots where it is inside another one, or a parameter; `body`, all of
    it."""

    field: str
    message: str


class Problem(Out):
    """An RFC 9457 problem document; `detail` says what to do."""

    type: str
    title: str
    status: int
    detail: str
    errors: list[WrongField] = []


class NotTakenProblem(Problem, AcknowledgementOut):
    """Some of what was handed over was refused; what became of the rest is said as ever."""
