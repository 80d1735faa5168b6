"""What a bench says: readings and acts, in the bench's own order.

Every record is frozen. The moment and the id arrive inside it; nothing here knows a
clock or a device, so a record means the same live, replayed and in a test.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal
from uuid import UUID

from analysis.units import Unit

Origin = Literal["button", "keys", "typed", "imported"]
Flag = Literal["ends swapped", "unit changed", "unit slip?", "negative", "beyond jaws", "late"]
"""What a careful reader should know of a trial. No word of it holds a hyphen."""
"""Where a reading came from: an instrument's send button; a burst of keys that only a
keyboard caliper types so fast; a person's fingers; an old notebook."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One value as sent. Never changed, never deleted.

    `sent` is the line as it came, without its terminator; `nm` the exact length it says.
    `since_previous_ms` is the time since the same caliper's previous reading by the
    bench's monotonic clock, None where only the wall clock (`taken_at`) is known. `pattern`:
    that by which the bench read the line, so that another program can read it again.
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
    """What pairing must know of a series: how many readings fill a trial, and how.

    `places` in reading order, each read `repeats` times before the next. `swap[i]` is the
    place that place i becomes when the strip's two ends were mixed up; None where the
    method has no ends. `closed_jaws`: jaws shut and sent takes the last reading back.
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
    """A reading, where it stands in the bench's order."""

    reading: Reading


@dataclass(frozen=True, slots=True)
class TakeBack:
    """The last counted reading, or the one named, does not count after all."""

    reading: UUID | None = None


@dataclass(frozen=True, slots=True)
class SwapEnds:
    """The two ends of the last strip, or of the trial numbered, were mixed up."""

    trial: int | None = None


@dataclass(frozen=True, slots=True)
class Restore:
    """A reading that was set aside as a bounce counts after all, now."""

    reading: UUID


@dataclass(frozen=True, slots=True)
class Finish:
    """The series is over; the bench feeds nothing until the next start."""


@dataclass(frozen=True, slots=True)
class Resume:
    """The bench feeds this series again, which had ended, from where it was."""

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
    """How an instrument fares, in words a person understands.

    `message` says what to do where something can be done, else it is empty.
    """

    bench: str
    caliper: str
    state: CaliperCondition
    message: str = ""
    last_heard: datetime | None = None
