"""What folding readings and acts gives: a bench's state, the outcome of an entry, and where the
next reading goes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal
from uuid import UUID

from uuid_utils.compat import uuid5

from capture.records import Ask, Flag, Layout, Reading, Trial

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
    "next visit",
    "same visit",
]


Why = Literal["bounced", "awaiting", "replaced", "taken back", "closed jaws"]
"""Why a reading is in no trial: the same press, sent twice; it waits for an answer to a question;
another reading took its place; it was taken back; it was a press with closed jaws."""
Fate = Literal["counted", "left out", "in no trial"] | Why
"""What became of a reading: its trial counts; its trial was left out; no series ran, or it was lost
with its trial; or why it was set aside."""


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
    reading that will wait, whose press comes next. visit: that of the next trial.
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
    visit: int = 1

    @property
    def latest(self) -> State:
        """The running series, else the one that ended last; this state where there is neither."""
        return self if self.series is not None or self.ended is None else self.ended


@dataclass(frozen=True, slots=True)
class Outcome:
    """The outcome of an entry: `trial` is the number of the trial it changed, None for none;
    `others`: of those it changed besides.

    `place` is the place, counted as the method does, that a reading was put in. `question`: what
    is asked about it, in a sentence; None where nothing is, and on a replay.
    """

    kind: OutcomeKind
    trial: int | None = None
    reading: UUID | None = None
    place: int | None = None
    others: tuple[int, ...] = ()
    question: str | None = None

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
    """Where the next reading will go. visit: to the stop, that its trial belongs to."""

    trial: int
    slot: int
    place: int
    repeat: int
    visit: int = 1


def next_place(state: State) -> Next | None:
    """Where the next reading will go, None while no series runs."""
    return None if state.series is None else next_of(state.trials, state.layout, state.visit)


def next_of(trials: Sequence[Trial], layout: Layout, visit: int) -> Next:
    """The same of a running series' trials."""
    trial = current(trials, layout)
    slot = trial.slots.index(None)
    place, repeat = place_of(trial, slot, layout), slot % layout.repeats
    return Next(trial.number, slot, place, repeat, visit if trial.empty else trial.visit)


def current(trials: Sequence[Trial], layout: Layout) -> Trial:
    """The trial that the next reading goes to, a new one if the last one is full."""
    if trials and not trials[-1].complete:
        return trials[-1]
    return empty_trial(trials[-1].number + 1 if trials else 1, layout)


def empty_trial(number: int, layout: Layout) -> Trial:
    """A trial of which nothing is read."""
    return Trial(number, (None,) * (layout.places * layout.repeats))
