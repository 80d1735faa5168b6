"""Readings as they are handed over, and what became of them."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated
from uuid import UUID

from pydantic import ConfigDict, Field

from analysis.units import Unit
from api.answers.moments import aware
from api.web.shapes import BenchName, In, Millimetres, Name, Out, When
from capture.lines import LONGEST
from capture.records import Origin
from capture.spec import MAIN_BENCH
from capture.values import LONGEST_PATTERN


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
    outcomes: list[OutcomeOut] = Field(default=[])
    refused: list[NotTakenOut] = Field(default=[])


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
