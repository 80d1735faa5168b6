"""Folds readings and acts into trials.

The entries of a bench have one order: starts, presses, take-backs, swaps, finishes.
`apply` takes the present state and the next entry and gives the next state and the outcome
of the entry. It is a pure function, so replaying the log, also in several parts, always gives
the same trials.

A start discards everything before it. So the state of a running series depends only on the log
from its start on, and a store that restarts needs to read no more than that. A
series that has ended may be resumed after others have run on its bench: its state depends on
its own entries alone, those from its start and from each resume of it up to the next start or
resume of another.

Placing: readings fill the slots of the last trial in order: place by place, each place
`repeats` times. A full trial is followed by the next one. A take-back empties the slot
filled last. A trial emptied in this way is removed where it is the last, so that its number is
used again, and stays (empty) where others follow it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal
from uuid import UUID

from uuid_utils.compat import uuid5

from analysis.units import NM_PER_MM
from capture.records import (
    Entry,
    Finish,
    Flag,
    Layout,
    Press,
    Reading,
    Restore,
    Resume,
    Start,
    SwapEnds,
    TakeBack,
)

# A send button that bounces repeats its line within a few tens of milliseconds; a person
# needs longer than this to press twice on purpose. Common practice, no source.
BOUNCE_MS: Final = 250
# Closed jaws read zero, apart from dust and wear. Common practice, no source.
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
    "resumed",
    "nothing to resume",
]


@dataclass(frozen=True, slots=True)
class Placed:
    """A reading in its slot; `order` counts placements, so the latest can be found."""

    reading: Reading
    order: int
    flags: tuple[Flag, ...] = ()


_Slots = tuple[Placed | None, ...]


@dataclass(frozen=True, slots=True)
class Trial:
    """The readings of one strip or part; `slots` in reading order, None where not read."""

    number: int
    slots: _Slots
    swapped: bool = False

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
class State:
    """A bench's running series, or nothing; `ended`: the one that ended last, in its last state."""

    series: UUID | None = None
    layout: Layout = field(default_factory=lambda: Layout(places=1))
    trials: tuple[Trial, ...] = ()
    placements: int = 0
    last_heard: Mapping[str, Reading] = field(default_factory=dict)
    set_aside: tuple[Reading, ...] = ()
    ended: State | None = None

    @property
    def latest(self) -> State:
        """The running series, else the one that ended last; this state where there is neither."""
        return self if self.series is not None or self.ended is None else self.ended


@dataclass(frozen=True, slots=True)
class Outcome:
    """The outcome of an entry: `trial` is the number of the trial it changed, None for none.

    `place` is the place, counted as the method does, that a reading was put in.
    """

    kind: OutcomeKind
    trial: int | None = None
    reading: UUID | None = None
    place: int | None = None


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
    return None if state.series is None else _next(state.trials, state.layout)


def _next(trials: Sequence[Trial], layout: Layout) -> Next:
    trial = _current(trials, layout)
    slot = trial.slots.index(None)
    return Next(trial.number, slot, place_of(trial, slot, layout), slot % layout.repeats)


def fold(entries: Iterable[Entry], state: State | None = None) -> State:
    """The state after all `entries`, from `state` or from nothing."""
    folding = Folding(state)
    for entry in entries:
        folding.take(entry)
    return folding.state


def apply(state: State, entry: Entry) -> tuple[State, Outcome]:
    """The state after `entry`, and the outcome of the entry."""
    folding = Folding(state)
    outcome = folding.take(entry)
    return folding.state, outcome


def is_bounce(before: Reading, reading: Reading) -> bool:
    """Whether `reading` is the same press as `before`, sent twice by a bouncing button."""
    if before.sent != reading.sent or before.unit != reading.unit:
        return False
    since = reading.since_previous_ms
    if since is None:
        since = round((reading.taken_at - before.taken_at).total_seconds() * 1000)
    return 0 <= since < BOUNCE_MS


class Folding:
    """Folds many entries, one after the other: `take` each, then read `state`.

    States given in and out are never changed.
    """

    def __init__(self, state: State | None = None) -> None:
        self._set(state or State())

    def _set(self, state: State) -> None:
        self._series = state.series
        self._layout = state.layout
        self._trials = list(state.trials)
        self._placements = state.placements
        self._last_heard = dict(state.last_heard)
        self._set_aside = list(state.set_aside)
        self._ended = state.ended

    @property
    def state(self) -> State:
        """The state after the entries taken so far."""
        return State(
            self._series,
            self._layout,
            tuple(self._trials),
            self._placements,
            dict(self._last_heard),
            tuple(self._set_aside),
            self._ended,
        )

    @property
    def next(self) -> Next | None:
        """Where the next reading will go, None while no series runs."""
        return None if self._series is None else _next(self._trials, self._layout)

    def take(self, entry: Entry) -> Outcome:
        """Apply one entry and return its outcome."""
        match entry:
            case Press():
                return self._press(entry.reading)
            case Start():
                self._set(State(series=entry.series, layout=entry.layout))
                return Outcome("started")
            case Finish():
                if self._series is None:
                    return Outcome("no series")
                self._set(State(ended=self.state))
                return Outcome("finished")
            case Resume():
                return self._resume(entry.series)
            case TakeBack():
                return self._take_back(entry.reading)
            case SwapEnds():
                return self._swap_ends(entry.trial)
            case Restore():
                return self._restore(entry.reading)

    def _resume(self, series: UUID) -> Outcome:
        # Where only the entries of one series are read, it is still running if another start
        # ended it.
        if self._series == series:
            return Outcome("resumed")
        if self._series is None and self._ended is not None and self._ended.series == series:
            self._set(self._ended)
            return Outcome("resumed")
        return Outcome("nothing to resume")

    def _press(self, reading: Reading) -> Outcome:
        if self._series is None:
            return Outcome("no series", reading=reading.id)
        before = self._last_heard.get(reading.caliper)
        self._last_heard[reading.caliper] = reading
        if before is not None and is_bounce(before, reading):
            self._set_aside.append(reading)
            return Outcome("bounced", reading=reading.id)
        if self._layout.closed_jaws and abs(reading.nm) <= CLOSED_JAWS_NM:
            # The outcome names the press itself, not the reading that it took back.
            outcome = self._take_back(None)
            return Outcome(outcome.kind, outcome.trial, reading.id)
        return self._place(reading)

    def _place(self, reading: Reading) -> Outcome:
        trial = _current(self._trials, self._layout)
        slot = trial.slots.index(None)
        placed = Placed(reading, self._placements, self._flags(reading))
        trial = Trial(trial.number, _with(trial.slots, slot, placed), trial.swapped)
        # Trials are numbered from 1 without gaps.
        self._trials[trial.number - 1 :] = [trial]
        self._placements += 1
        return Outcome(
            "complete" if trial.complete else "kept",
            trial.number,
            reading.id,
            place_of(trial, slot, self._layout),
        )

    def _take_back(self, reading: UUID | None) -> Outcome:
        for trial in reversed(self._trials):
            latest = trial.latest
            for slot, placed in enumerate(trial.slots):
                if placed is None or (
                    placed is not latest if reading is None else placed.reading.id != reading
                ):
                    continue
                self._replace(trial, _with(trial.slots, slot, None), trial.swapped)
                while self._trials and self._trials[-1].empty:
                    self._trials.pop()
                return Outcome("taken back", trial.number, placed.reading.id)
        return Outcome("nothing to take back" if self._series else "no series")

    def _swap_ends(self, number: int | None) -> Outcome:
        if self._series is None:
            return Outcome("no series")
        if self._layout.swap is not None:
            for trial in reversed(self._trials):
                if not trial.empty and number in (None, trial.number):
                    self._replace(trial, trial.slots, not trial.swapped)
                    return Outcome("swapped", trial.number)
        return Outcome("nothing to swap")

    def _restore(self, reading: UUID) -> Outcome:
        for aside in self._set_aside:
            if aside.id == reading:
                self._set_aside = [r for r in self._set_aside if r.id != reading]
                return self._place(aside)
        return Outcome("nothing to restore" if self._series else "no series")

    def _replace(self, trial: Trial, slots: _Slots, swapped: bool) -> None:
        self._trials[trial.number - 1] = Trial(trial.number, slots, swapped)

    def _flags(self, reading: Reading) -> tuple[Flag, ...]:
        flags: list[Flag] = []
        if self._layout.closed_jaws and reading.nm < 0:
            flags.append("negative")
        if abs(reading.nm) > JAWS_NM:
            flags.append("beyond jaws")
        if reading.late:
            flags.append("late")
        latest = self._trials[-1].latest if self._trials else None
        if latest is not None:
            if latest.reading.unit != reading.unit:
                flags.append("unit changed")
            smaller, larger = sorted((abs(latest.reading.nm), abs(reading.nm)))
            # 25.4 within 6 %: the two ends of a strip never differ so much, the two units do.
            if smaller and 24 <= larger / smaller <= 27:
                flags.append("unit slip?")
        return tuple(flags)


def _current(trials: Sequence[Trial], layout: Layout) -> Trial:
    """The trial that the next reading goes to, a new one if the last one is full."""
    if trials and not trials[-1].complete:
        return trials[-1]
    number = trials[-1].number + 1 if trials else 1
    return Trial(number, (None,) * (layout.places * layout.repeats))


def _with(slots: _Slots, slot: int, placed: Placed | None) -> _Slots:
    return (*slots[:slot], placed, *slots[slot + 1 :])
