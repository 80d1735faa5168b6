"""The records of a bench: readings and acts, in the order of the bench.

Every record is frozen and contains its moment and id; nothing here knows a clock or a device,
so a record means the same live, replayed and in a test.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal
from uuid import UUID

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
class Press:
    """A reading, in its place in the bench's order."""

    reading: Reading


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
    """A reading that was set aside as a bounce counts from now on."""

    reading: UUID


@dataclass(frozen=True, slots=True)
class Finish:
    """The series is over; the bench feeds nothing until the next start."""


@dataclass(frozen=True, slots=True)
class Resume:
    """The bench continues this series, which had ended, from where it was."""

    series: UUID


Entry = Start | Press | TakeBack | SwapEnds | Restore | Finish | Resume


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

    `message` says what to do where something can be done, else it is empty.
    """

    bench: str
    caliper: str
    state: CaliperCondition
    message: str = ""
    last_heard: datetime | None = None
