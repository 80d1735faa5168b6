"""Works: what is made, what it needs, and how well the machines do for it."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal
from uuid import UUID

from pydantic import Discriminator, Field, Tag

from analysis.conformity import Verdict
from analysis.units import Unit
from analysis.works.assemblies import FEWEST_SIDES, MOST_PIECES, MOST_SIDES
from api.answers.urgency import Urgency
from api.web.shapes import CorrectionIn, In, LengthText, Name, Note, Out, SignedIn
from api.web.shapes.series import StopHead

Count = Annotated[int, Field(ge=1, le=MOST_PIECES)]


class CutIn(In):
    """Where an end is cut: a machine and one of its stops, each by id or name."""

    machine: Name
    stop: Name = "square"


Ends = Annotated[list[CutIn], Field(min_length=1, max_length=2)]
"""The cut at the left end of each piece and that at its right end, seen from outside; one for
both."""


class FrameIn(In):
    """A mitred frame. lengths: of the pieces along the outer edge, one for all or in order around
    the frame; joint: how long a joint is, without it that of the need."""

    kind: Literal["frame"]
    sides: Annotated[int, Field(ge=FEWEST_SIDES, le=MOST_SIDES)]
    lengths: Annotated[list[LengthText], Field(min_length=1, max_length=MOST_SIDES)]
    joint: LengthText | None = None
    cuts: Ends


class CaseIn(In):
    """Two pieces `width` long between two sides, all `depth` deep."""

    kind: Literal["case"]
    width: LengthText
    height: LengthText
    depth: LengthText
    cuts: Ends


class ShelvesIn(In):
    """A row of shelves between two straight faces."""

    kind: Literal["shelves"]
    count: Count
    length: LengthText
    depth: LengthText
    cuts: Ends


class JointIn(In):
    """Joints of one kind. cuts: one where a cut meets a straight edge, two where two meet."""

    length: LengthText
    count: Count = 1
    cuts: Ends


class JointsIn(In):
    """A free list of joints."""

    kind: Literal["joints"]
    joints: Annotated[list[JointIn], Field(min_length=1, max_length=MOST_PIECES)]


def _kind(parts: object) -> object:
    return parts.get("kind") if isinstance(parts, dict) else getattr(parts, "kind", None)


PartsIn = Annotated[
    Annotated[FrameIn, Tag("frame")]
    | Annotated[CaseIn, Tag("case")]
    | Annotated[ShelvesIn, Tag("shelves")]
    | Annotated[JointsIn, Tag("joints")],
    # By a function: the fields have a validator that comes before, which a field by name must not.
    Discriminator(
        _kind,
        custom_error_type="kind",
        custom_error_message="needs a kind: frame, case, shelves or joints",
    ),
]


class WorkIn(SignedIn):
    """What is made and what it needs: `tolerance_deg` of each cut, or a `gap` over a `joint`, in
    `unit`. parts: what it is made of, for how likely it is to succeed."""

    name: Name
    unit: Unit = "mm"
    tolerance_deg: LengthText | None = None
    gap: LengthText | None = None
    joint: LengthText | None = None
    parts: PartsIn | None = None
    note: Note | None = None


class WorkChangeIn(CorrectionIn):
    """What is corrected of a work; what is left out stays, null clears what may be absent. A need
    of the other kind takes the place of the one before. retired: out of the lists."""

    name: Name | None = None
    unit: Unit | None = None
    tolerance_deg: LengthText | None = None
    gap: LengthText | None = None
    joint: LengthText | None = None
    parts: PartsIn | None = None
    note: Note | None = None
    retired: bool | None = None


class MadeWorkOut(Out):
    """A work. need: what it needs, in words. parts: as they were given, machines and stops by their
    ids."""

    id: UUID
    name: str
    need: str
    unit: Unit
    tolerance_deg: str | None
    gap: str | None
    joint: str | None
    parts: dict[str, Any] | None
    note: str | None
    created_at: datetime
    retired_at: datetime | None


class WorkVerdictOut(Out):
    """work: null for the tolerance of the series itself. own: whether the stop was measured for
    it. verdict: null where the stop's angle is not known, or not any more. urgency: as of `GET
    /api/machines`: due where it is good enough, but past the date until which it may be trusted."""

    work: UUID | None
    name: str | None
    verdict: Verdict | None
    urgency: Urgency
    sentence: str
    own: bool


class StopVerdictOut(Out):
    """A stop and the verdict on it for one work; series: that it follows from. until, good_until:
    until when it may be trusted, as of `GET /api/machines`; urgency: due past that."""

    machine: UUID
    machine_name: str
    stop: StopHead
    series: UUID | None
    checked_at: datetime | None
    good_until: datetime | None
    until: str
    verdict: Verdict | None
    urgency: Urgency
    sentence: str


class StopWorksOut(Out):
    """A stop and the verdicts on it for all works; that of its own series first."""

    stop: StopHead
    series: UUID | None
    checked_at: datetime | None
    good_until: datetime | None
    until: str
    works: list[WorkVerdictOut]


class LinearSumOut(Out):
    """By JCGM 100: the joint at which the linear sum reaches furthest, its gap with its sign."""

    joint: str
    gap_mm: float
    expanded_uncertainty_mm: float
    within: float


class StopShareOut(Out):
    """without_mm: what `most_mm` would be if the stop cut true and always alike. reach_deg: how far
    it may be off nominal for 95 of 100, all else as it is; null where that is not enough.
    reach_scatter_deg: then, how much its single cuts may scatter."""

    stop: str
    without_mm: float
    reach_deg: float | None
    reach_scatter_deg: float | None


class MatchingOut(Out):
    """How far 95 of 100 pairs of pieces cut to one stop differ at most, and how likely they differ
    by no more than the accepted gap; null where no series by Stop block tells."""

    stop: str
    differ_mm: float | None
    within: float | None


class ChancesOut(Out):
    """within: the probability that every joint stays within its accepted gap, by JCGM 101, and u,
    its standard uncertainty by the number of draws. usual_mm, most_mm: what half, and 95 of 100,
    of the worst joints stay within. worst: how often each joint is the worst."""

    within: float
    u: float
    usual_mm: float
    most_mm: float
    worst: dict[str, float]
    linear: LinearSumOut
    stops: list[StopShareOut]
    together_deg: float | None
    matching: list[MatchingOut]


class PartsAnswerOut(Out):
    """accepted_mm: by joint. chances: null where something is `missing`."""

    accepted_mm: dict[str, float]
    chances: ChancesOut | None
    missing: list[str]
    sentences: list[str]


class WorkAnswerOut(Out):
    """What is known now of the machines, for one work. parts: null for one without."""

    work: MadeWorkOut
    stops: list[StopVerdictOut]
    parts: PartsAnswerOut | None
