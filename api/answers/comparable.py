"""Series that are compared, and their values as the analysis takes them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final
from uuid import UUID

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, Row

from analysis.caliper_study import most_hand_mm
from analysis.comparison import TrialParts, Trials
from analysis.conversions import SizeUnit
from analysis.methods import Method, Quantity, Relation
from analysis.one_trial import reading_part, rounding_sd
from analysis.sentences import plain
from analysis.spread import Summary, summary
from analysis.systematic import Between, Systematic, between, systematic
from analysis.units import MM_PER_INCH, mm, parse_length
from analysis.visits import Units, units
from api.answers.checks import board_of, one_caliper
from api.answers.moments import clock, day
from api.answers.series import ScoredTrials, scored_trials
from api.errors import InvalidField
from api.store.facts import resolution_mm

MOST: Final = 12
"""A comparison of more series than this is no longer readable."""


@dataclass(frozen=True, slots=True)
class ComparableSeries:
    """One series with everything that a comparison needs."""

    whole: ScoredTrials
    calipers: frozenset[str]
    resolution_mm: float
    nominal_mm: float | None

    @property
    def row(self) -> Row[Any]:
        """The columns of `tables.Series`, with the names of its bench and machine."""
        return self.whole.row

    @property
    def method(self) -> Method:
        return self.whole.facts.method

    @property
    def caliper(self) -> str | None:
        """The one that read it; None where there were several."""
        return one_caliper(self.calipers)

    @property
    def hand(self) -> tuple[str | None, str | None] | None:
        """Who read it with what, as far as it was said; None where several calipers did."""
        return None if self.caliper is None else (self.caliper, self.row.person)

    @property
    def half_tolerance(self) -> float | None:
        """Half of the tolerance's width, radians or mm."""
        tolerance = self.whole.facts.tolerance
        return None if tolerance is None else (tolerance.high - tolerance.low) / 2

    @property
    def each_look(self) -> bool:
        """Whether it was looked at after every trial: their number was not set before the first, or
        is not reached."""
        facts = self.whole.facts
        n = sum(trial.row.state == "complete" for trial in self.whole.trials)
        return not facts.ended or n != facts.planned

    def counted(self, quantity: Quantity) -> list[tuple[Row[Any], float]]:
        """The rows of the complete trials that say something of `quantity`; radians or mm."""
        return [
            (trial.row, value if quantity == "length" else math.radians(value))
            for trial in self.whole.trials
            if trial.row.state == "complete"
            and (value := stored_value(trial.row, quantity)) is not None
        ]

    def visits_of(self, counted: Sequence[tuple[Row[Any], float]]) -> NDArray[np.int64]:
        """Of each of these, the number of its visit to the stop; a caliper makes none."""
        machine = self.method.judges == "machine"
        return np.array([row.visit if machine else 1 for row, _ in counted], np.int64)

    @property
    def several_visits(self) -> bool:
        """Whether its complete trials were cut in several visits to the stop."""
        facts = self.whole.facts
        return facts.method.judges == "machine" and np.unique(np.asarray(facts.visit)).size > 1

    def least_sd(self, quantity: Quantity) -> float:
        """Standard deviation of one trial that the caliper's rounding alone makes."""
        relation = self.method.relation(quantity)
        assert relation is not None
        return rounding_sd(
            self.method,
            relation,
            resolution_mm=self.resolution_mm,
            base_mm=self.base_mm(relation) if relation.terms else None,
            pieces=self.row.pieces,
        )

    def base_mm(self, relation: Relation) -> float:
        """The length over which an angle or a tilt is measured."""
        facts = self.whole.facts
        base = facts.base_mm(relation)
        assert base is not None  # a series has the lengths that its method needs
        return base

    def systematic(self, quantity: Quantity, per: float = 1.0) -> Systematic:
        """What more trials would not reduce in the mean, in `per` radians or mm."""
        scored = self.whole.scored.score.quantities.get(quantity)
        return systematic(
            scored.budget if scored else None,
            per,
            caliper=self.caliper,
            board=board_of(self.row),
        )

    def trial_parts(self, quantity: Quantity, per: float = 1.0) -> TrialParts:
        """What its trials are made of, in `per` radians or mm."""
        relation = self.method.relation(quantity)
        assert relation is not None
        one = reading_part(
            self.method,
            relation,
            base_mm=self.base_mm(relation) if relation.terms else None,
            pieces=self.row.pieces,
        )
        one /= math.sqrt(self.row.repeats)
        share = self.method.cut_share(self.row.pieces)
        return TrialParts(share, one / per, most_hand_mm(self.whole.facts))


def stored_value(trial: Row[Any], quantity: Quantity) -> float | None:
    """As the trial's row has it, in degrees or mm; None where the trial does not show it."""
    if quantity == "length":
        found: float | None = trial.length_mm
    else:
        found = trial.angle_deg if quantity == "angle" else trial.tilt_deg
    return found


def comparable(connection: Connection, series: UUID) -> ComparableSeries:
    """The series in its present state. Raises NotFound where no series has that id."""
    whole = scored_trials(connection, series)
    nominal = None
    if whole.row.tolerance_nominal is not None:
        nominal = mm(parse_length(whole.row.tolerance_nominal, whole.row.unit))
    elif whole.facts.method.judges == "caliper":
        nominal = whole.facts.baseline_mm
    return ComparableSeries(
        whole=whole,
        calipers=frozenset(r.caliper for t in whole.trials for r in t.readings),
        resolution_mm=resolution_mm([(r.sent, r.unit) for t in whole.trials for r in t.readings]),
        nominal_mm=nominal,
    )


def all_comparable(
    connection: Connection, asked: Sequence[tuple[str, UUID]]
) -> list[ComparableSeries]:
    """The series asked for, each under the name of its field.

    Raises NotFound where one does not exist, InvalidField where one is asked for twice, there are
    too many, or their methods reveal nothing in common.
    """
    if len(asked) > MOST:
        raise InvalidField(asked[MOST][0], f"{len(asked)} series are too many; give at most {MOST}")
    seen: dict[UUID, str] = {}
    for field, series in asked:
        if series in seen:
            raise InvalidField(field, f"is the same series as {seen[series]}; choose another")
        seen[series] = field
    found = [comparable(connection, series) for _, series in asked]
    for at, (field, _) in enumerate(asked):
        if not shared_quantities(found[: at + 1]):
            raise InvalidField(field, _nothing_shared(found[0].method, found[at].method))
    return found


def shared_quantities(found: Sequence[ComparableSeries]) -> tuple[Quantity, ...]:
    """What all of these reveal: the same quantity, with the same meaning of its sign."""
    first = found[0].method
    if first.judges == "hand":
        return ()
    return tuple(
        relation.quantity
        for relation in first.relations
        if all(
            (of := other.method.relation(relation.quantity)) is not None
            and of.toward == relation.toward
            and other.method.judges == first.judges
            for other in found[1:]
        )
    )


def _nothing_shared(first: Method, other: Method) -> str:
    if "hand" in (first.judges, other.judges):
        hand = first if first.judges == "hand" else other
        return (
            f"{hand.title} shows {hand.checks}, which is no property of a machine; "
            "choose series that check a machine"
        )
    return (
        f"{first.title} shows {first.checks}; {other.title} shows {other.checks}. "
        "These cannot be set side by side; choose series whose methods reveal the same"
    )


# ---------------------------------------------------------------- in words


def names(found: Sequence[ComparableSeries]) -> tuple[str, ...]:
    """What sentences call each: its machine, with the stop, the day and then the time where two of
    one machine take part."""
    stops: dict[str, set[str]] = {}
    for s in found:
        stops.setdefault(s.row.machine_name, set()).add(s.row.stop)
    plain = [
        f"{s.row.machine_name}, {s.row.stop}"
        if len(stops[s.row.machine_name]) > 1
        else s.row.machine_name
        for s in found
    ]
    called = plain
    for more in (day, _moment):
        counts = {name: called.count(name) for name in called}
        called = [
            f"{first} on {more(s.row.started_at)}" if counts[name] > 1 else name
            for s, first, name in zip(found, plain, called, strict=True)
        ]
    counts = {name: called.count(name) for name in called}
    return tuple(
        f"{name} ({chr(ord('A') + at)})" if counts[name] > 1 else name
        for at, name in enumerate(called)
    )


def _moment(moment: datetime) -> str:
    return f"{day(moment)} at {clock(moment)}"


def notes(found: Sequence[ComparableSeries]) -> tuple[str, ...]:
    """What the methods show, and which stops were measured, where they are not all the same; and
    which series are of several visits."""
    stops = [f"{s.row.stop} ({plain(float(s.row.nominal_deg))} degrees)" for s in found]
    at: tuple[str, ...] = ()
    if len(set(stops)) > 1:
        at = (
            f"They are of different stops: {', '.join(dict.fromkeys(stops))}. Each is judged by"
            " its error from its own nominal angle.",
        )
    several = [s.several_visits for s in found]
    called = [name for name, its in zip(names(found), several, strict=True) if its]
    if called:
        at += (
            f"{' and '.join(called)}: cut in several visits to the stop. Here each visit counts"
            f" once, not each {noun_of(found)}, since how a machine comes back is anew at each"
            " visit."
            + ("" if all(several) else " What was cut in one visit shows nothing of that."),
        )
    methods = {s.method.key: s.method for s in found}
    if len(methods) < 2:
        return at
    shown = "; ".join(f"{m.title} shows {m.checks}" for m in methods.values())
    return (*at, f"They were measured by different methods: {shown}.")


# ---------------------------------------------------------------- the values


@dataclass(frozen=True, slots=True, eq=False)
class ComparableValues:
    """The values of one quantity of several series, those of each one in an array.

    unit: of all values, and of whatever the analysis makes of them: radians, or for lengths the
    unit in which the first series is spoken of. nominals_mm: what was taken off each one's values,
    so that they are errors; 0 for an angle; None of all where one has none. trials: the rows behind
    the values. least_sd: of one trial, that rounding alone makes. units: what of the values is
    independent. noun: what a sentence calls one of the trials (`noun_of`).
    """

    quantity: Quantity
    unit: SizeUnit
    nominals_mm: tuple[float | None, ...]
    trials: tuple[tuple[Row[Any], ...], ...]
    values: tuple[NDArray[np.float64], ...]
    least_sd: float
    units: Units
    noun: str

    @property
    def errors(self) -> bool:
        """Whether the values are errors from nominal."""
        return None not in self.nominals_mm

    @property
    def summaries(self) -> tuple[Summary, ...]:
        """Of the trials of each, but for the mean, which is that of its units."""
        return tuple(
            replace(summary(trials), mean=summary(of).mean)
            for trials, of in zip(self.values, self.units.values, strict=True)
        )

    @property
    def per(self) -> float:
        """How many mm a unit of the values has; 1 for an angle, which stays in radians."""
        return _per(self.unit)


def values_of(found: Sequence[ComparableSeries], quantity: Quantity) -> ComparableValues:
    """What the complete trials of each series say of `quantity`."""
    unit: SizeUnit = "rad"
    if quantity == "length":
        unit = "in" if found[0].row.unit == "in" else "mm"
    per = _per(unit)
    counted = [s.counted(quantity) for s in found]
    nominals = tuple(s.nominal_mm if quantity == "length" else 0.0 for s in found)
    if None in nominals:
        nominals = (None,) * len(found)
    values = tuple(
        (np.array([v for _, v in of], float) - (nominal or 0.0)) / per
        for of, nominal in zip(counted, nominals, strict=True)
    )
    return ComparableValues(
        quantity=quantity,
        unit=unit,
        nominals_mm=nominals,
        trials=tuple(tuple(trial for trial, _ in of) for of in counted),
        values=values,
        least_sd=max(s.least_sd(quantity) for s in found) / per,
        units=units(
            values, [s.visits_of(trials) for s, trials in zip(found, counted, strict=True)]
        ),
        noun=noun_of(found),
    )


def noun_of(found: Sequence[ComparableSeries]) -> str:
    """What a sentence calls a trial of any of them, whatever their methods call it."""
    nouns = {s.method.noun for s in found}
    return nouns.pop() if len(nouns) == 1 else "measurement"


def systematic_of(
    found: Sequence[ComparableSeries], values: ComparableValues
) -> tuple[Systematic, ...]:
    """Of each, in the unit of the values."""
    return tuple(s.systematic(values.quantity, values.per) for s in found)


def between_first_two(found: Sequence[ComparableSeries], values: ComparableValues) -> Between:
    """What the means of the first two share, and what they do not."""
    first, second = systematic_of(found[:2], values)
    return between(first, second)


def trials_of(found: Sequence[ComparableSeries], values: ComparableValues) -> Trials:
    """How the trials of the first two are made."""
    first, second = found[:2]
    return Trials(
        first.trial_parts(values.quantity, values.per),
        second.trial_parts(values.quantity, values.per),
        first.hand is not None and first.hand == second.hand,
    )


def _per(unit: SizeUnit) -> float:
    return MM_PER_INCH if unit == "in" else 1.0
