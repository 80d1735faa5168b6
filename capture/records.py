"""The records of a bench: readings and acts, in the order of the bench.

Every record is frozen and contains its moment and id; nothing here knows a clock or a device,
so a record means the same live, replayed and in a test. A correction is an entry like the others:
it names its series, and stands in the bench's order where it was made.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal
from uuid import UUID

from analysis.guard import Question
from analysis.units import Unit

Origin = Literal["button", "keys", "typed", "imported"]
"""Where a reading came from: an instrument's send button; keys that come too fast for fingers,
so from a keyboard caliper; a person who types; an old notebook."""
Flag = Literal["ends swapped", "unit changed", "unit slip?", "negative", "beyond jaws", "late"]
"""Warnings about a trial. None contains a hyphen."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One value as sent. Never changed, never deleted.

    `sent` is the line as it came, without its terminator; `nm` its exact length.
    `since_previous_ms` is the time since the same caliper's previous reading by the
    bench's monotonic clock, None where only the wall clock (`taken_at`) is known. `pattern`:
    the one the bench read the line with, so that another program can read it again.
    """

    id: UUID
    bench: str
    caliper: str
    sent: str
    unit: Unit
    nm: int
    taken_at: datetime
    origin: Origin = "button"
    since_previous_ms: int | None = None
    late: bool = False
    pattern: str | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True)
class Placed:
    """A reading in its slot; `order` counts placements, so the latest can be found."""

    reading: Reading
    order: int
    flags: tuple[Flag, ...] = ()


Slots = tuple[Placed | None, ...]


@dataclass(frozen=True, slots=True)
class Trial:
    """The readings of one strip or part; `slots` in reading order, None where not read.

    left_out: it was left out by a correction: shown, but not counted. visit: the machine was not
    moved away from its stop between strips of the same visit.
    """

    number: int
    slots: Slots
    swapped: bool = False
    left_out: bool = False
    visit: int = 1

    @property
    def complete(self) -> bool:
        return all(self.slots)

    @property
    def empty(self) -> bool:
        return not any(self.slots)

    @property
    def flags(self) -> tuple[Flag, ...]:
        """The warnings about this trial, without duplicates."""
        seen: dict[Flag, None] = {}
        for placed in self.slots:
            if placed is not None:
                seen.update(dict.fromkeys(placed.flags))
        if self.swapped:
            seen["ends swapped"] = None
        return tuple(seen)

    @property
    def latest(self) -> Placed | None:
        """The reading placed last, None in an empty trial."""
        latest = None
        for placed in self.slots:
            if placed is not None and (latest is None or placed.order > latest.order):
                latest = placed
        return latest


@dataclass(frozen=True, slots=True)
class Layout:
    """What pairing needs to know about a series: how many readings fill a trial, and how.

    `places` in reading order, each read `repeats` times before the next. `swap[i]` is the
    place that place i becomes when the strip's two ends were mixed up; None where the
    method has no ends. `closed_jaws`: a press with closed jaws takes the last reading back.
    """

    places: int
    repeats: int = 1
    swap: tuple[int, ...] | None = None
    closed_jaws: bool = False


@dataclass(frozen=True, slots=True)
class Start:
    """From here on the bench feeds this series."""

    series: UUID
    layout: Layout


@dataclass(frozen=True, slots=True)
class SetUp:
    """A series that no bench has fed: its trials are moved into it. A resume lets its bench feed
    it."""

    series: UUID
    layout: Layout


@dataclass(frozen=True, slots=True)
class Press:
    """A reading, in its place in the bench's order."""

    reading: Reading


@dataclass(frozen=True, slots=True)
class Ask:
    """The reading of the next press can hardly be right: it waits for an answer.

    Decided once, as the reading is kept, by the rules in `analysis.guard`; a replay obeys this
    entry and judges nothing.
    """

    reading: UUID
    question: Question


@dataclass(frozen=True, slots=True)
class TakeBack:
    """The last counted reading, or the one named, no longer counts."""

    reading: UUID | None = None


@dataclass(frozen=True, slots=True)
class SwapEnds:
    """The two ends of the last strip, or of the trial numbered, were mixed up."""

    trial: int | None = None


@dataclass(frozen=True, slots=True)
class Restore:
    """A reading that bounced, waits for an answer, was replaced or taken back counts from now on.

    One that had a slot returns to it, where it is still empty; any other takes the next one.
    """

    reading: UUID


@dataclass(frozen=True, slots=True)
class LeaveOut:
    """The trial is shown, but no longer counts."""

    trial: int


@dataclass(frozen=True, slots=True)
class CountAgain:
    """The trial that was left out counts again."""

    trial: int


@dataclass(frozen=True, slots=True)
class MoveOut:
    """The trials numbered belong to another series: here they are empty from now on."""

    trials: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class MoveIn:
    """Trials of another series belong to this one, under the numbers they have here."""

    trials: tuple[Trial, ...]


@dataclass(frozen=True, slots=True)
class Away:
    """The machine was swung away and back to its stop, before the next trial or the one numbered:
    from there on it is another visit. to_deg: the angle it was swung to, where it was said."""

    trial: int | None = None
    to_deg: str | None = None


@dataclass(frozen=True, slots=True)
class Stayed:
    """It was not, before the next trial or the one numbered."""

    trial: int | None = None


@dataclass(frozen=True, slots=True)
class Finish:
    """The series is over; the bench feeds nothing until the next start."""


@dataclass(frozen=True, slots=True)
class Resume:
    """The bench continues this series, which had ended, from where it was."""

    series: UUID


Correction = (
    TakeBack | SwapEnds | Restore | LeaveOut | CountAgain | MoveOut | MoveIn | Away | Stayed
)


@dataclass(frozen=True, slots=True)
class Corrected:
    """A correction of the series named, which runs or has ended."""

    series: UUID
    act: Correction


Entry = (
    Start
    | SetUp
    | Ask
    | Press
    | TakeBack
    | SwapEnds
    | Restore
    | Away
    | Stayed
    | Finish
    | Resume
    | Corrected
)


@dataclass(frozen=True, slots=True)
class Refusal:
    """Something an instrument sent that is no reading, kept as received (escaped)."""

    id: UUID
    bench: str
    caliper: str
    raw: str
    reason: str
    heard_at: datetime


CaliperCondition = Literal["waiting", "listening", "quiet", "unplugged", "trouble", "stopped"]


@dataclass(frozen=True, slots=True)
class CaliperState:
    """The state of an instrument, in words for a person.

    `message` says what to do where something can be done, else it is empty. caliper: the name it is
    heard under; shown: what people call it, None where it is the same or not known here.
    """

    bench: str
    caliper: str
    state: CaliperCondition
    message: str = ""
    last_heard: datetime | None = None
    shown: str | None = None

    @property
    def name(self) -> str:
        return self.shown or self.caliper
