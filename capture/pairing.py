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

A press that was asked about waits, in no trial, until the next one takes its place or it is
restored. A correction of a series that has ended changes that series' last state.

Placing: readings fill the slots of the last trial in order: place by place, each place
`repeats` times. A full trial is followed by the next one. A take-back empties the slot
filled last. A trial emptied in this way is removed where it is the last, so that its number is
used again, and stays (empty) where others follow it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal
from uuid import UUID

from uuid_utils.compat import uuid5

from analysis.units import NM_PER_MM
from capture.records import (
    Ask,
    Corrected,
    Correction,
    CountAgain,
    Entry,
    Finish,
    Flag,
    Layout,
    LeaveOut,
    MoveIn,
    MoveOut,
    Placed,
    Press,
    Reading,
    Restore,
    Resume,
    SetUp,
    Slots,
    Start,
    SwapEnds,
    TakeBack,
    Trial,
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
    "asked",
    "taken back",
    "bounced",
    "no series",
    "nothing to take back",
    "restored",
    "nothing to restore",
    "started",
    "swapped",
    "nothing to swap",
    "left out",
    "counted again",
    "nothing to change",
    "moved",
    "nothing to move",
    "finished",
    "resumed",
    "nothing to resume",
]


Why = Literal["bounced", "awaiting", "replaced", "taken back", "closed jaws"]
"""Why a reading is in no trial: the same press, sent twice; it waits for an answer to a question;
another reading took its place; it was taken back; it was a press with closed jaws."""


@dataclass(frozen=True, slots=True)
class Aside:
    """A reading that is in no trial, and why.

    trial: the one that it was in, or would have been in, as it was without this reading; None
    where it had none. slot, order and flags: as it was or would have been placed.
    """

    reading: Reading
    why: Why
    trial: Trial | None = None
    slot: int = 0
    order: int = 0
    flags: tuple[Flag, ...] = ()


@dataclass(frozen=True, slots=True)
class State:
    """A bench's running series, or nothing; `ended`: the one that ended last, in its last state.

    last_heard: of each caliper, since the series was started or resumed last. aside: the readings
    that are in no trial, by id. awaiting: the one of them that waits for an answer. asked: the
    reading that will wait, whose press comes next.
    """

    series: UUID | None = None
    layout: Layout = field(default_factory=lambda: Layout(places=1))
    trials: tuple[Trial, ...] = ()
    placements: int = 0
    last_heard: Mapping[str, Reading] = field(default_factory=dict)
    aside: Mapping[UUID, Aside] = field(default_factory=dict)
    awaiting: Ask | None = None
    asked: Ask | None = None
    ended: State | None = None

    @property
    def latest(self) -> State:
        """The running series, else the one that ended last; this state where there is neither."""
        return self if self.series is not None or self.ended is None else self.ended


@dataclass(frozen=True, slots=True)
class Outcome:
    """The outcome of an entry: `trial` is the number of the trial it changed, None for none;
    `others`: of those it changed besides.

    `place` is the place, counted as the method does, that a reading was put in.
    """

    kind: OutcomeKind
    trial: int | None = None
    reading: UUID | None = None
    place: int | None = None
    others: tuple[int, ...] = ()

    @property
    def did_nothing(self) -> bool:
        return self.kind == "no series" or self.kind.startswith("nothing ")

    @property
    def trials(self) -> tuple[int, ...]:
        """The numbers of all trials it changed."""
        return self.others if self.trial is None else (self.trial, *self.others)


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
        self._aside = dict(state.aside)
        self._awaiting = state.awaiting
        self._asked = state.asked
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
            dict(self._aside),
            self._awaiting,
            self._asked,
            self._ended,
        )

    @property
    def next(self) -> Next | None:
        """Where the next reading will go, None while no series runs."""
        return None if self._series is None else _next(self._trials, self._layout)

    @property
    def trials(self) -> Sequence[Trial]:
        """The trials of the running series so far."""
        return self._trials

    @property
    def last_heard(self) -> Mapping[str, Reading]:
        """As in `State`."""
        return self._last_heard

    @property
    def awaiting(self) -> Aside | None:
        """The reading that waits for an answer."""
        return None if self._awaiting is None else self._aside[self._awaiting.reading]

    def would_place(self, reading: Reading) -> bool:
        """Whether a press of this reading would be put in a slot, if nothing were asked."""
        return self._series is not None and not (self._bounces(reading) or self._closes(reading))

    def take(self, entry: Entry) -> Outcome:
        """Apply one entry and return its outcome."""
        match entry:
            case Press():
                return self._press(entry.reading)
            case Ask():
                self._asked = entry
                return Outcome("asked", reading=entry.reading)
            case Start():
                self._set(State(series=entry.series, layout=entry.layout))
                return Outcome("started")
            case SetUp():
                made = State(series=entry.series, layout=entry.layout)
                self._set(State(ended=made))
                return Outcome("started")
            case Finish():
                if self._series is None:
                    return Outcome("no series")
                self._awaiting = None
                self._set(State(ended=self.state))
                return Outcome("finished")
            case Resume():
                return self._resume(entry.series)
            case Corrected():
                return self._corrected(entry)
            case _:
                return self._act(entry)

    def _act(self, act: Correction) -> Outcome:
        match act:
            case TakeBack():
                return self._take_back(act.reading)
            case SwapEnds():
                return self._swap_ends(act.trial)
            case Restore():
                return self._restore(act.reading)
            case LeaveOut():
                return self._leave_out(act.trial, True)
            case CountAgain():
                return self._leave_out(act.trial, False)
            case MoveOut():
                return self._move_out(act.trials)
            case MoveIn():
                return self._move_in(act.trials)

    def _corrected(self, entry: Corrected) -> Outcome:
        if self._series == entry.series:
            return self._act(entry.act)
        if self._ended is not None and self._ended.series == entry.series:
            ended = Folding(self._ended)
            outcome = ended.take(entry)
            self._ended = ended.state
            return outcome
        return Outcome("no series")

    def _resume(self, series: UUID) -> Outcome:
        # Where only the entries of one series are read, it is still running if another start
        # ended it.
        if self._series != series:
            if self._series is not None or self._ended is None or self._ended.series != series:
                return Outcome("nothing to resume")
            self._set(self._ended)
        self._awaiting = None
        self._last_heard = {}
        return Outcome("resumed")

    def _press(self, reading: Reading) -> Outcome:
        asked, self._asked = self._asked, None
        if self._series is None:
            return Outcome("no series", reading=reading.id)
        bounces, closes = self._bounces(reading), self._closes(reading)
        self._last_heard[reading.caliper] = reading
        if bounces:
            self._aside[reading.id] = Aside(reading, "bounced")
            return Outcome("bounced", reading=reading.id)
        if closes:
            self._aside[reading.id] = Aside(reading, "closed jaws")
            # The outcome names the press itself, not the reading that it took back.
            outcome = self._take_back(None)
            return Outcome(outcome.kind, outcome.trial, reading.id)
        self._replace_awaiting()
        if asked is not None and asked.reading == reading.id:
            self._awaiting = asked
            self._aside[reading.id] = Aside(reading, "awaiting")
            following = _next(self._trials, self._layout)
            return Outcome("asked", None, reading.id, following.place)
        return self._place(reading)

    def _bounces(self, reading: Reading) -> bool:
        before = self._last_heard.get(reading.caliper)
        return before is not None and is_bounce(before, reading)

    def _closes(self, reading: Reading) -> bool:
        return self._layout.closed_jaws and abs(reading.nm) <= CLOSED_JAWS_NM

    def _replace_awaiting(self) -> None:
        if self._awaiting is not None:
            waited = self._aside[self._awaiting.reading].reading
            trial = _current(self._trials, self._layout)
            slot, flags = trial.slots.index(None), self._flags(waited)
            self._aside[waited.id] = Aside(waited, "replaced", trial, slot, self._placements, flags)
            self._awaiting = None

    def _place(self, reading: Reading) -> Outcome:
        trial = _current(self._trials, self._layout)
        slot = trial.slots.index(None)
        placed = Placed(reading, self._placements, self._flags(reading))
        trial = replace(trial, slots=_with(trial.slots, slot, placed))
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
        waits = self._awaiting
        if waits is not None and reading in (None, waits.reading):
            self._awaiting = None
            waited = self._aside[waits.reading].reading
            self._aside[waited.id] = Aside(waited, "taken back")
            return Outcome("taken back", None, waited.id)
        for trial in reversed(self._trials):
            latest = trial.latest
            for slot, placed in enumerate(trial.slots):
                if placed is None or (
                    placed is not latest if reading is None else placed.reading.id != reading
                ):
                    continue
                rest = replace(trial, slots=_with(trial.slots, slot, None))
                self._aside[placed.reading.id] = Aside(
                    placed.reading, "taken back", rest, slot, placed.order, placed.flags
                )
                self._put(rest)
                return Outcome("taken back", trial.number, placed.reading.id)
        return Outcome("nothing to take back" if self._series else "no series")

    def _swap_ends(self, number: int | None) -> Outcome:
        if self._series is None:
            return Outcome("no series")
        if self._layout.swap is not None:
            for trial in reversed(self._trials):
                if not trial.empty and number in (None, trial.number):
                    self._put(replace(trial, swapped=not trial.swapped))
                    return Outcome("swapped", trial.number)
        return Outcome("nothing to swap")

    def _restore(self, reading: UUID) -> Outcome:
        aside = self._aside.get(reading)
        nothing = Outcome("nothing to restore" if self._series else "no series")
        if aside is None or aside.why == "closed jaws":
            return nothing
        if aside.trial is None:
            if self._awaiting is not None and self._awaiting.reading == reading:
                self._awaiting = None
            del self._aside[reading]
            return self._place(aside.reading)
        trial = self._trial(aside.trial.number)
        if trial.slots[aside.slot] is not None:
            return nothing
        if trial.empty:
            trial = replace(aside.trial, slots=trial.slots)
        placed = Placed(aside.reading, aside.order, aside.flags)
        trial = replace(trial, slots=_with(trial.slots, aside.slot, placed))
        del self._aside[reading]
        self._put(trial)
        place = place_of(trial, aside.slot, self._layout)
        return Outcome("restored", trial.number, reading, place)

    def _leave_out(self, number: int, left_out: bool) -> Outcome:
        trial = self._trial(number)
        if trial.empty or trial.left_out == left_out:
            return Outcome("nothing to change")
        self._put(replace(trial, left_out=left_out))
        return Outcome("left out" if left_out else "counted again", number)

    def _move_out(self, numbers: tuple[int, ...]) -> Outcome:
        if not numbers or any(self._trial(number).empty for number in numbers):
            return Outcome("nothing to move")
        for number in numbers:
            self._put(self._empty(number))
        return Outcome("moved", numbers[0], others=numbers[1:])

    def _move_in(self, trials: tuple[Trial, ...]) -> Outcome:
        if not trials or any(not self._trial(trial.number).empty for trial in trials):
            return Outcome("nothing to move")
        for trial in trials:
            self._put(trial)
        return Outcome("moved", trials[0].number, others=tuple(t.number for t in trials[1:]))

    def _trial(self, number: int) -> Trial:
        """The trial numbered, empty where there is none."""
        if 1 <= number <= len(self._trials):
            return self._trials[number - 1]
        return self._empty(number)

    def _empty(self, number: int) -> Trial:
        return _empty(number, self._layout)

    def _put(self, trial: Trial) -> None:
        """Put a trial under its number, between empty ones where it comes after the last."""
        while len(self._trials) < trial.number:
            self._trials.append(self._empty(len(self._trials) + 1))
        self._trials[trial.number - 1] = trial
        while self._trials and self._trials[-1].empty:
            self._trials.pop()

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
    return _empty(trials[-1].number + 1 if trials else 1, layout)


def _empty(number: int, layout: Layout) -> Trial:
    return Trial(number, (None,) * (layout.places * layout.repeats))


def _with(slots: Slots, slot: int, placed: Placed | None) -> Slots:
    return (*slots[:slot], placed, *slots[slot + 1 :])
