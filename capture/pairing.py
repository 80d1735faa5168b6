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
from dataclasses import replace
from typing import Final
from uuid import UUID

from analysis.units import NM_PER_MM
from capture.folded import (
    Aside,
    Next,
    Outcome,
    OutcomeKind,
    State,
    current,
    empty_trial,
    next_of,
    place_of,
)
from capture.records import (
    Ask,
    Away,
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
    Stayed,
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
        self._visit = state.visit

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
            self._visit,
        )

    @property
    def next(self) -> Next | None:
        """Where the next reading will go, None while no series runs."""
        return None if self._series is None else next_of(self._trials, self._layout, self._visit)

    @property
    def layout(self) -> Layout:
        """The layout of the running series."""
        return self._layout

    @property
    def trials(self) -> Sequence[Trial]:
        """The trials of the running series so far."""
        return self._trials

    @property
    def last_heard(self) -> Mapping[str, Reading]:
        """As in `State`."""
        return self._last_heard

    @property
    def aside(self) -> Mapping[UUID, Aside]:
        """As in `State`."""
        return self._aside

    @property
    def awaiting(self) -> Aside | None:
        """The reading that waits for an answer."""
        return None if self._awaiting is None else self._aside[self._awaiting.reading]

    @property
    def goes_on(self) -> UUID | None:
        """The reading that waits only because the series had heard nothing for long: whoever
        presses again says that the series goes on."""
        waits = self._awaiting
        return None if waits is None or waits.question.kind != "long ago" else waits.reading

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
            case Away():
                return self._away(act.trial)
            case Stayed():
                return self._stayed(act.trial)

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
            following = next_of(self._trials, self._layout, self._visit)
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
            trial = current(self._trials, self._layout)
            slot, flags = trial.slots.index(None), self._flags(waited)
            self._aside[waited.id] = Aside(waited, "replaced", trial, slot, self._placements, flags)
            self._awaiting = None

    def _place(self, reading: Reading) -> Outcome:
        trial = current(self._trials, self._layout)
        slot = trial.slots.index(None)
        placed = Placed(reading, self._placements, self._flags(reading))
        visit = self._visit if trial.empty else trial.visit
        trial = replace(trial, slots=_with(trial.slots, slot, placed), visit=visit)
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
        self._visit = max(self._visit, *(trial.visit for trial in trials))
        return Outcome("moved", trials[0].number, others=tuple(t.number for t in trials[1:]))

    def _away(self, number: int | None) -> Outcome:
        if self._series is None and number is None:
            return Outcome("no series")
        before = self._before(number)
        if before is None or self._visit_at(number) != before.visit:
            return Outcome("nothing to change")
        return self._shift_visits(number, 1, "next visit")

    def _stayed(self, number: int | None) -> Outcome:
        if self._series is None and number is None:
            return Outcome("no series")
        before = self._before(number)
        if before is None or (apart := self._visit_at(number) - before.visit) == 0:
            return Outcome("nothing to change")
        return self._shift_visits(number, -apart, "same visit")

    def _before(self, number: int | None) -> Trial | None:
        """The trial before the one numbered, or before the next one; None where there is none."""
        if number is not None and self._trial(number).empty:
            return None
        earlier = self._trials if number is None else self._trials[: number - 1]
        return next((trial for trial in reversed(earlier) if not trial.empty), None)

    def _visit_at(self, number: int | None) -> int:
        return self._visit if number is None else self._trial(number).visit

    def _shift_visits(self, number: int | None, by: int, kind: OutcomeKind) -> Outcome:
        self._visit += by
        if number is None:
            return Outcome(kind)
        for at, trial in enumerate(self._trials[number - 1 :], number - 1):
            self._trials[at] = replace(trial, visit=trial.visit + by)
        return Outcome(kind, number, others=tuple(t.number for t in self._trials[number:]))

    def _trial(self, number: int) -> Trial:
        """The trial numbered, empty where there is none."""
        if 1 <= number <= len(self._trials):
            return self._trials[number - 1]
        return self._empty(number)

    def _empty(self, number: int) -> Trial:
        return empty_trial(number, self._layout)

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


def _with(slots: Slots, slot: int, placed: Placed | None) -> Slots:
    return (*slots[:slot], placed, *slots[slot + 1 :])
