"""What comes after a series: one act, what a change before it did, and the same once more."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal
from uuid import UUID

from pydantic import Field

from analysis.conformity import Verdict
from api.answers.next_act import Act
from api.answers.settings import MOST_STRIPS
from api.answers.since_change import Question
from api.web.shapes import BenchName, Note, Out, SignedIn
from api.web.shapes.advice import AdviceOut
from api.web.shapes.benches import BenchOut
from api.web.shapes.machines import MachineOut, SetupChangeKind, SetupChangeOut
from api.web.shapes.scores import IntervalOut, NowOut
from api.web.shapes.sentences import SentencePartOut
from api.web.shapes.series import ProgressOut, SeriesOut, StopHead
from api.web.shapes.works import WorkVerdictOut


class SinceChangeOut(Out):
    """What the latest change before a series did to one quantity, by the last series before it.

    answer: as of `GET /api/compare/adjustment` (did it help) or `/return` (did it come back).
    counted: what its interval is taken of; visits where a series has several.
    moved: by how much the mean's distance from nominal changed, negative where it helped; or the
    mean itself, where it is asked whether it came back. left: the error that the series after
    finds, of a length without a nominal one its mean. left_sentence: the same in words, with its
    verdict. sentence_parts: the sentence cut at its measures; the first part is the answer.
    """

    question: Question
    answer: Literal["helped", "made it worse", "came back", "did not", "cannot tell"]
    before: UUID
    after: UUID
    stop: StopHead
    setup_changes: list[SetupChangeOut]
    quantity: Literal["angle", "tilt", "length"]
    unit: Literal["deg", "mm"]
    counted: Literal["trial", "visit"]
    moved: float | None
    interval: IntervalOut | None
    left: float | None
    left_uncertainty: float | None
    sentence: str
    sentence_parts: list[SentencePartOut]
    left_sentence: str


class BenchNowOut(BenchOut):
    """now: what to do at once about doubts of the running series. progress: how far it is; null
    while none runs. since_change: what the change before it did, by quantity; empty where none was
    made to cut nearer, and no swing."""

    now: list[NowOut]
    progress: ProgressOut | None
    since_change: list[SinceChangeOut]


class LinksOut(Out):
    """Pages about it."""

    series: str
    report: str
    machine: str
    card: str
    mend: str


class NextActOut(Out):
    """What a series found, and one act to do next; `instruction` says it in words, and
    instruction_parts cut at its measures; with `check_by` the first part is the date, and what
    follows the second is the reason.

    act: go on (it runs still); check again (by `check_by`, null for now); adjust (by `advice`);
    measure more (resume it, or as `way` and `amount` say: more cuts, so many more; more readings,
    so many of each place; wider board, of so many mm; length, known to so many mm; finish); measure
    again (the machine was changed since); say the need (there is no tolerance); decide (nothing
    practical tells); see the later series (`later`); none. verdict, sentence: what it found.
    doubted: numbers of the trials that deserve a second look before that. work: what it was
    measured for. works: the verdicts on its stop for every work, its own first; empty
    where another series took its place. since_change: as of a bench.
    """

    series: UUID
    bench: str
    machine: MachineOut
    stop: StopHead
    work: str | None
    verdict: Verdict | None
    sentence: str
    doubted: list[int]
    act: Act
    instruction: str
    instruction_parts: list[SentencePartOut]
    check_by: datetime | None
    chance: float | None
    way: str | None
    amount: float | None
    advice: AdviceOut | None
    later: UUID | None
    progress: ProgressOut
    works: list[WorkVerdictOut]
    since_change: list[SinceChangeOut]
    links: LinksOut


class BegunOut(SeriesOut):
    """A series that was begun once more. setup_change: what was recorded to have been done in
    between, null for nothing."""

    setup_change: UUID | None


class AgainIn(SignedIn):
    """changed: what was done to the machine in between; recorded in the same moment. note: of what
    was done; left out, the move that the series proposes is noted. strips: planned; left out,
    as many as tell by the stop's history; where it does not say, as before. bench: left out, the
    same one."""

    changed: SetupChangeKind | None = None
    note: Note | None = None
    strips: Annotated[int, Field(ge=1, le=MOST_STRIPS)] | None = None
    bench: BenchName | None = None
