"""Works: their needs, checked, and whether each stop of each machine is good enough for them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection, Row

from analysis import sentences
from analysis.conformity import Tolerance, Verdict
from analysis.judging import Judged, judged
from analysis.methods import METHODS, Method, Quantity
from analysis.sequential import EarlierScatter
from analysis.units import Unit, mm, parse_length, parse_number, unit_text
from api.answers import checks
from api.answers.checks import CheckedSeries
from api.answers.machine_state import (
    KnownCheck,
    MachineState,
    machine_state,
    machine_states,
    worst,
    worst_of,
)
from api.answers.scatter_before import scatter_before
from api.answers.settings import TOLERANCES, AskedSeries
from api.answers.usual_works import UsualWork
from api.errors import InvalidField
from api.store.rows import machines, stops, works
from api.store.stamps import now

# What is made is good to a degree at least; more is a slip.
_MOST_RAD: Final = math.radians(10)


def _toward(method: str) -> tuple[str, str]:
    relation = METHODS[method].relation("angle")
    assert relation is not None
    return relation.toward


LEAN: Final = _toward("reversal")
"""Which way an error leans of a method that says how a cut leans."""
OF_MITERS: Final = (_toward("closing-miters"), _toward("miter-pair"))
"""Which way an error leans that a corner of miters shows: its sharp corner, not the cut's lean."""


def as_leaning(known: KnownCheck, stop: Row[Any]) -> float:
    """-1 where a miter that is too obtuse leans less far than its stop says."""
    return way_of(stop) if known.relation.toward in OF_MITERS else 1.0


def way_of(stop: Row[Any]) -> float:
    """Whether an error at a stop, leaning to the right, makes the sharp corner of the piece larger
    (1) or smaller (-1): a cut that leans further over leaves a sharper one."""
    return -1.0 if parse_number(stop.nominal_deg) > 0 else 1.0


def leaning(method: Method, stop: Row[Any]) -> float | None:
    """What turns the angle that a method tells of a stop into its error, leaning to the right; None
    where the method does not say which way a cut leans. stop: any row with its angles."""
    relation = method.relation("angle")
    if relation is not None and relation.toward == LEAN:
        return 1.0
    if relation is None or method.stop_deg is None or relation.toward not in OF_MITERS:
        return None
    return way_of(stop)


def need(values: Mapping[str, Any]) -> None:
    """Check what a work says that it needs: `values` has the columns of `tables.Work`.

    Raises InvalidField naming what is missing or can't be.
    """
    deg, gap, joint = (values[name] for name in ("tolerance_deg", "gap", "joint"))
    if deg is not None and (gap is not None or joint is not None):
        raise InvalidField("gap", "give one need only: an error of a cut, or a gap over a joint")
    if deg is None and gap is None and joint is None:
        raise InvalidField(
            "tolerance_deg", "say what the work needs, an error of a cut or a gap over a joint"
        )
    if deg is None and (gap is None or joint is None):
        missing, given = ("gap", "joint") if gap is None else ("joint", "gap")
        raise InvalidField(missing, f"is needed with {given}")
    field = "gap" if deg is None else "tolerance_deg"
    try:
        limit = tolerance(values).high
    except ValueError as error:
        named, _, message = str(error).partition(": ")
        asked = field if named == "tolerance" else named
        raise InvalidField(asked if message else field, message or named) from None
    if limit > _MOST_RAD:
        raise InvalidField(
            field, "allows an error of more than 10 degrees; check the numbers and the unit"
        )


def tolerance(values: Mapping[str, Any]) -> Tolerance:
    """The error of each cut that a work allows. Raises ValueError for numbers that can't be."""
    if values["tolerance_deg"] is not None:
        text = values["tolerance_deg"]
        return Tolerance.angle(math.radians(float(parse_number(text))), f"{text.strip()} degrees")
    gap, joint = (mm(parse_length(values[name], values["unit"])) for name in ("gap", "joint"))
    return Tolerance.gap(gap, joint)


def for_series(work: Row[Any] | UsualWork, asked: AskedSeries) -> AskedSeries:
    """A series measured for a work: its tolerance is the work's need.

    Raises InvalidField where the series says a tolerance of its own.
    """
    refuse_tolerance(work, {name: getattr(asked, name) for name in TOLERANCES})
    return replace(asked, **tolerances(work, asked.unit or work.unit))


def refuse_tolerance(work: Row[Any] | UsualWork, given: Mapping[str, Any]) -> None:
    """Raise InvalidField where a series for a work says a tolerance of its own."""
    for name in TOLERANCES:
        if given.get(name) is not None:
            raise InvalidField(name, f"leave it out: {work.name} says what is needed")


def tolerances(work: Row[Any] | UsualWork, unit: Unit) -> dict[str, Any]:
    """The tolerance of a series for a work, whose lengths are in `unit`: each of `TOLERANCES`."""
    gap, joint = (
        None if text is None else unit_text(parse_length(text, work.unit), unit)
        for text in (work.gap, work.joint)
    )
    said = {"tolerance_deg": work.tolerance_deg, "tolerance_gap": gap, "tolerance_joint": joint}
    return dict.fromkeys(TOLERANCES) | said


@dataclass(frozen=True, slots=True)
class StopOfMachine:
    """A stop of a machine, and what is known of the angle it cuts at.

    machine, stop: rows of `tables.Machine` and `tables.Stop`. known: one of each thing that is
    checked. changed: the setup change since which nothing was measured.
    """

    machine: Row[Any]
    stop: Row[Any]
    state: MachineState

    @property
    def known(self) -> tuple[KnownCheck, ...]:
        return tuple(k for k in self.state.known if _is_of_cuts(k))

    @property
    def latest(self) -> KnownCheck | None:
        return max(self.known, key=lambda k: k.at, default=None)

    @property
    def called(self) -> str:
        return f"{self.machine.name}, {self.stop.name}"


def _is_of_cuts(known: KnownCheck) -> bool:
    return known.check.quantity == "angle" and known.relation.toward in (LEAN, *OF_MITERS)


def stop_states(
    connection: Connection, machine: Row[Any], series: Iterable[CheckedSeries], moment: datetime
) -> list[StopOfMachine]:
    """Each stop of a machine, the oldest first, from the machine's series."""
    changes = machines.setup_changes(connection, machine.id)
    state = machine_state(series, changes, moment, stops.stops(connection, machine.id))
    return [StopOfMachine(machine, each.stop, each.state) for each in state.stops]


@dataclass(frozen=True, slots=True)
class WorkVerdict:
    """Whether a stop is good enough for a work; None of each where its angle is not known, or not
    any more. work: the row of `tables.Work`, None for the tolerance of the series itself. own:
    whether the latest series of the stop was measured for it."""

    work: Row[Any] | None
    verdict: Verdict | None
    sentence: str
    own: bool


def _for_works(
    earlier: _Earlier, state: StopOfMachine, wanted: Sequence[Row[Any]]
) -> list[WorkVerdict]:
    """The verdict on a stop for each work; first what its latest series was measured for."""
    latest = state.latest
    found = [_verdict(earlier, state, work) for work in wanted]
    row = None if latest is None else latest.series.row
    if latest is not None and row is not None and row.work_id is None:
        own = _own(state)
        if own is not None:
            found.append(own)
    return sorted(found, key=lambda verdict: not verdict.own)


def of_works(
    connection: Connection, wanted: Sequence[Row[Any]]
) -> list[list[tuple[StopOfMachine, WorkVerdict]]]:
    """The verdict on each stop of each machine, for each of these works."""
    found = [
        StopOfMachine(machine, each.stop, each.state)
        for machine, state in machine_states(connection)
        for each in state.stops
    ]
    earlier = _scatter_before(connection, found, wanted)
    return [[(stop, _verdict(earlier, stop, work)) for stop in found] for work in wanted]


def of_machine(
    connection: Connection, named: UUID | str
) -> list[tuple[StopOfMachine, list[WorkVerdict]]]:
    """The verdicts on each stop of a machine for all works. Raises NotFound where there is no such
    machine."""
    machine = machines.machine(connection, named)
    series = checks.of_machine(connection, machine.id)
    wanted = works.works(connection)
    found = stop_states(connection, machine, series, now())
    earlier = _scatter_before(connection, found, wanted)
    return [(state, _for_works(earlier, state, wanted)) for state in found]


def of_stop(connection: Connection, state: StopOfMachine) -> list[WorkVerdict]:
    """The same of one stop."""
    wanted = works.works(connection)
    return _for_works(_scatter_before(connection, [state], wanted), state, wanted)


def _own(state: StopOfMachine) -> WorkVerdict | None:
    given = [k for k in state.known if k.check.verdict is not None]
    if not given or state.state.changed is not None:
        return None
    found = worst(given)
    said = next(k for k in given if k.check.verdict == found)
    return WorkVerdict(None, found, said.sentence, own=True)


def _verdict(earlier: _Earlier, state: StopOfMachine, work: Row[Any]) -> WorkVerdict:
    latest = state.latest
    own = latest is not None and latest.series.row.work_id == work.id
    if latest is None:
        return WorkVerdict(work, None, "Not measured yet.", own)
    if state.state.changed is not None:
        return WorkVerdict(work, None, state.state.caveat, own)
    limit = tolerance(work._asdict())
    each = [(_judged(earlier, known, limit), known) for known in state.known]
    found = worst_of(verdict for verdict, _ in each)
    known = next(k for verdict, k in each if verdict == found)
    check = known.check
    sentence = sentences.angle_sentence(
        check.mean, check.expanded, known.relation.leans, check.trials,
        sentences.verdict_for(found, work.name), known.series.row.unit,
        known.series.facts.method.noun,
    )  # fmt: skip
    return WorkVerdict(work, found, sentence, own)


_Earlier = Mapping[UUID, Mapping[Quantity, EarlierScatter]]


def _scatter_before(
    connection: Connection, found: Iterable[StopOfMachine], wanted: Sequence[Row[Any]]
) -> _Earlier:
    """By series, what earlier ones tell of its scatter, where its own trials do not tell whether it
    is good enough for each work."""
    limits = [tolerance(work._asdict()) for work in wanted]
    asking = {
        known.series.id: known.series
        for state in found
        for known in state.known
        if any(_by_itself(known, limit).asks_earlier for limit in limits)
    }
    told = scatter_before(connection, [(s.row, s.calipers) for s in asking.values()])
    return dict(zip(asking, told, strict=True))


def _by_itself(known: KnownCheck, limit: Tolerance) -> Judged:
    facts = known.series.facts
    return judged(known.check.seen, limit, facts.planned, facts.ended)


def _judged(earlier: _Earlier, known: KnownCheck, limit: Tolerance) -> Verdict:
    """By the rules of the series' own verdict, for another tolerance."""
    check, facts = known.check, known.series.facts
    found = _by_itself(known, limit)
    if found.asks_earlier:
        told = earlier[known.series.id].get(check.quantity)
        found = judged(check.seen, limit, facts.planned, facts.ended, told)
    assert found.verdict is not None  # there is a tolerance
    return found.verdict
