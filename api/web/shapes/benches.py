"""A bench as it is now, what instruments say there, and what a person does."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Final
from uuid import UUID

from pydantic import Field

from analysis.units import Unit
from api.answers.moments import aware
from api.web.shapes import In, LengthText, Name, Out, SignedIn, When
from api.web.shapes.readings import NextOut, ReadingOut
from api.web.shapes.series import SeriesHead
from capture.records import CaliperCondition, Origin


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


class StoreOut(Out):
    """The store as a bench's page needs to know it. message: what is wrong with it and what to do,
    empty where all is well; kept_beside: how many presses are kept beside it meanwhile, of all
    benches, and `last` the last of this bench."""

    message: str
    kept_beside: int
    last: ReadingOut | None
