"""Readings and acts folded into trials.

The theory. A bench speaks in one order: starts, presses, take-backs, swaps, finishes.
`apply` takes the state so far and the next entry and gives the next state and what became
of the entry. It keeps nothing of its own, so the log replayed, or cut anywhere and taken
up again, gives the same trials, always.

A start forgets everything before it. So the state of a running series depends on the log
from its start on, and a store that lost its memory need read back no further than that.

Placing. Readings fill the slots of the last trial in order: place by place, each place
`repeats` times. A full trial is followed by the next one. A take-back empties the slot
filled last; a trial emptied so is gone when it is the last, so that its number is used
again, and stays (empty) when others stand behind it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Final, Literal
from uuid import UUID, uuid5

from analysis.units import NM_PER_MM
from capture.records import (
    Entry,
    Finish,
    Layout,
    Press,
    Reading,
    Restore,
    Start,
    SwapEnds,
    TakeBack,
)

# A send button that bounces repeats its line within a few tens of milliseconds; a person
# needs longer than this to press twice on purpose. Common practice, no source.
BOUNCE_MS: Final = 250
# Closed jaws read zero but for dust and wear. Common practice, no source.
CLOSED_JAWS_NM: Final = 50_000
# The longest common caliper opens to 300 mm. Common practice, no source.
JAWS_NM: Final = 300 * NM_PER_MM

OutcomeKind = Literal[
    "kept",
    "complete",
    "taken back",
    "bounced",
    "no series",
    "nothing to take back",
    "nothing to restore",
    "started",
    "swapped",
    "nothing to swap",
    "finished",
]
Flag = Literal["ends swapped", "unit changed", "unit slip?", "negative", "beyond jaws", "late"]


@dataclass(frozen=True, slots=True)
class Placed:
    """A reading in its slot; `order` counts placements, so the latest can be found."""

    reading: Reading
    order: int
    flags: tuple[Flag, ...] = ()


@dataclass(frozen=True, slots=True)
class Trial:
    """The readings of one strip or part; `slots` in reading order, None where not read."""

    number: int
    slots: tuple[Placed | None, ...]
    swapped: bool = False

    @property
    def complete(self) -> bool:
        return None not in self.slots

    @property
    def empty(self) -> bool:
        return not any(self.slots)

    @property
    def flags(self) -> tuple[Flag, ...]:
        """What a careful reader should know of this trial, each said once."""
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
        return max((p for p in self.slots if p is not None), key=lambda p: p.order, default=None)


@dataclass(frozen=True, slots=True)
class State:
    """A bench's running series, or nothing."""

    series: UUID | None = None
    layout: Layout = field(default_factory=lambda: Layout(places=1))
    trials: tuple[Trial, ...] = ()
    placements: int = 0
    last_heard: Mapping[str, Reading] = field(default_factory=dict)
    set_aside: tuple[Reading, ...] = ()


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of an entry: `trial` is the number it touched, None if it touched none."""

    kind: OutcomeKind
    trial: int | None = None
    reading: UUID | None = None


def trial_id(series: UUID, number: int) -> UUID:
    """The id of trial `number` of a series: the same on every replay (RFC 9562, version 5)."""
    return uuid5(series, str(number))


def place_of(trial: Trial, slot: int, layout: Layout) -> int:
    """Which place of the method the reading in `slot` belongs to."""
    place = slot // layout.repeats
    return layout.swap[place] if trial.swapped and layout.swap else place


@dataclass(frozen=True, slots=True)
class Next:
    """Where the next reading will go."""

    trial: int
    slot: int
    place: int
    repeat: int


def next_place(state: State) -> Next | None:
    """Where the next reading will go, None while no series runs."""
    if state.series is None:
        return None
    trial = _current(state)
    slot = trial.slots.index(None)
    return Next(
        trial.number, slot, place_of(trial, slot, state.layout), slot % state.layout.repeats
    )


def fold(entries: Iterable[Entry], state: State | None = None) -> State:
    """The state after all `entries`, from `state` or from nothing."""
    state = state or State()
    for entry in entries:
        state, _ = apply(state, entry)
    return state


def apply(state: State, entry: Entry) -> tuple[State, Outcome]:
    """The state after `entry`, and what became of the entry."""
    match entry:
        case Start():
            return State(series=entry.series, layout=entry.layout), Outcome("started")
        case Finish():
            return State(), Outcome("finished" if state.series else "no series")
        case Press():
            return _press(state, entry.reading)
        case TakeBack():
            return _take_back(state, entry.reading)
        case SwapEnds():
            return _swap_ends(state, entry.trial)
        case Restore():
            return _restore(state, entry.reading)


def is_bounce(before: Reading, reading: Reading) -> bool:
    """Whether `reading` is the same press as `before`, sent twice by a bouncing button."""
    if before.sent != reading.sent or before.unit != reading.unit:
        return False
    since = reading.since_previous_ms
    if since is None:
        since = round((reading.taken_at - before.taken_at).total_seconds() * 1000)
    return 0 <= since < BOUNCE_MS


def _press(state: State, reading: Reading) -> tuple[State, Outcome]:
    if state.series is None:
        return state, Outcome("no series", reading=reading.id)
    before = state.last_heard.get(reading.caliper)
    state = replace(state, last_heard={**state.last_heard, reading.caliper: reading})
    if before is not None and is_bounce(before, reading):
        aside = (*state.set_aside, reading)
        return replace(state, set_aside=aside), Outcome("bounced", reading=reading.id)
    if state.layout.closed_jaws and abs(reading.nm) <= CLOSED_JAWS_NM:
        # Said of the press itself: the reading it took back is found in the trial.
        state, outcome = _take_back(state, None)
        return state, replace(outcome, reading=reading.id)
    return _place(state, reading)


def _place(state: State, reading: Reading) -> tuple[State, Outcome]:
    trial = _current(state)
    slot = trial.slots.index(None)
    placed = Placed(reading, state.placements, _flags(state, reading))
    trial = replace(trial, slots=(*trial.slots[:slot], placed, *trial.slots[slot + 1 :]))
    state = replace(_with_trial(state, trial), placements=state.placements + 1)
    kind: OutcomeKind = "complete" if trial.complete else "kept"
    return state, Outcome(kind, trial.number, reading.id)


def _take_back(state: State, reading: UUID | None) -> tuple[State, Outcome]:
    for trial in reversed(state.trials):
        latest = trial.latest
        for slot, placed in enumerate(trial.slots):
            if placed is None or (
                placed is not latest if reading is None else placed.reading.id != reading
            ):
                continue
            slots = (*trial.slots[:slot], None, *trial.slots[slot + 1 :])
            state = _with_trial(state, replace(trial, slots=slots))
            return _trimmed(state), Outcome("taken back", trial.number, placed.reading.id)
    return state, Outcome("nothing to take back" if state.series else "no series")


def _swap_ends(state: State, number: int | None) -> tuple[State, Outcome]:
    if state.series is None:
        return state, Outcome("no series")
    if state.layout.swap is not None:
        for trial in reversed(state.trials):
            if not trial.empty and number in (None, trial.number):
                state = _with_trial(state, replace(trial, swapped=not trial.swapped))
                return state, Outcome("swapped", trial.number)
    return state, Outcome("nothing to swap")


def _restore(state: State, reading: UUID) -> tuple[State, Outcome]:
    for aside in state.set_aside:
        if aside.id == reading:
            left = tuple(r for r in state.set_aside if r.id != reading)
            return _place(replace(state, set_aside=left), aside)
    return state, Outcome("nothing to restore" if state.series else "no series")


def _current(state: State) -> Trial:
    """The trial that the next reading goes to, made if the last one is full."""
    if state.trials and not state.trials[-1].complete:
        return state.trials[-1]
    number = state.trials[-1].number + 1 if state.trials else 1
    return Trial(number, (None,) * (state.layout.places * state.layout.repeats))


def _with_trial(state: State, trial: Trial) -> State:
    """`state` with `trial` in its place; trials are numbered from 1 without gaps."""
    at = trial.number - 1
    return replace(state, trials=(*state.trials[:at], trial, *state.trials[at + 1 :]))


def _trimmed(state: State) -> State:
    trials = state.trials
    while trials and trials[-1].empty:
        trials = trials[:-1]
    return replace(state, trials=trials)


def _flags(state: State, reading: Reading) -> tuple[Flag, ...]:
    flags: list[Flag] = []
    if state.layout.closed_jaws and reading.nm < 0:
        flags.append("negative")
    if abs(reading.nm) > JAWS_NM:
        flags.append("beyond jaws")
    if reading.late:
        flags.append("late")
    latest = state.trials[-1].latest if state.trials else None
    if latest is not None:
        if latest.reading.unit != reading.unit:
            flags.append("unit changed")
        smaller, larger = sorted((abs(latest.reading.nm), abs(reading.nm)))
        # 25.4 within 6 %: two ends of a strip never differ so much, two units do.
        if smaller and 24 <= larger / smaller <= 27:
            flags.append("unit slip?")
    return tuple(flags)
