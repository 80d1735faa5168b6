"""What a work is made of, checked; and how likely it succeeds by what is known now."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final
from uuid import UUID

import numpy as np
from sqlalchemy import Connection, Row

from analysis import counts, uncertainty
from analysis.budget import InputUncertainties
from analysis.methods import METHODS
from analysis.sentences import plain
from analysis.units import Unit, mm, parse_length, parse_number, positive
from analysis.work import joint_gap
from analysis.works import sentences
from analysis.works.assemblies import Assembly, Cut, case, frame, joints, shelves
from analysis.works.chances import Chances, chances
from analysis.works.known import KnownLength, KnownStop
from api.answers import checks
from api.answers.checks import CheckedSeries
from api.answers.returned import of_stop
from api.answers.settings import CLOSED_DEG
from api.answers.typed_lengths import as_kept, plain_of
from api.answers.works import StopOfMachine, as_leaning, stop_states, tolerance, way_of
from api.errors import InvalidField, NotFound
from api.store.rows import machines, stops
from api.store.rows.machines import parse_id
from api.store.stamps import now

_SEED: Final = 101  # of the draws, so that the same work on the same machines always says the same
_LENGTHS: Final = METHODS["stop-block"].key

Parts = Mapping[str, Any]
"""kind; its lengths as texts; cuts: [{machine, stop}]; of the kind "joints" each joint has its own.
Machines and stops are named by ids, as texts."""


@dataclass(frozen=True, slots=True)
class WorkAnswer:
    """How likely a work succeeds; chances: None where a stop is not known, which `missing` says,
    a sentence each. accepted_mm: the gap at each joint."""

    assembly: Assembly
    accepted_mm: tuple[float, ...]
    chances: Chances | None
    missing: tuple[str, ...]
    sentences: tuple[str, ...]


def resolved(connection: Connection, parts: Parts, work: Mapping[str, Any]) -> dict[str, Any]:
    """The parts with machines and stops by their ids, tried.

    work: the other columns of `tables.Work`. Raises InvalidField naming what is missing or can't
    be.
    """
    found: dict[str, Any] = {name: value for name, value in parts.items() if value is not None}
    if "cuts" in found:
        found["cuts"] = [_stop_ids(connection, cut) for cut in found["cuts"]]
    if "joints" in found:
        found["joints"] = [
            {**joint, "cuts": [_stop_ids(connection, cut) for cut in joint["cuts"]]}
            for joint in found["joints"]
        ]
    found = _plain(found, work["unit"])
    _assembled(connection, found, work)
    return found


_OF_PARTS: Final = ("joint", "width", "height", "depth", "length")


def _plain(parts: Parts, unit: Unit) -> dict[str, Any]:
    """The parts with their lengths as the store keeps them."""
    try:
        found = dict(parts) | plain_of(parts, _OF_PARTS, unit)
        if "lengths" in found:
            found["lengths"] = [as_kept("lengths", text, unit) for text in found["lengths"]]
    except InvalidField as error:
        raise InvalidField(f"parts.{error.field}", error.message) from None
    if "joints" in found:
        found["joints"] = [_plain(joint, unit) for joint in found["joints"]]
    return found


def answer(connection: Connection, work: Row[Any]) -> WorkAnswer | None:
    """How likely the work succeeds by what is known now; None for one without parts. Takes a
    moment, for its many draws."""
    if work.parts is None:
        return None
    need = work._asdict()
    made = _assembled(connection, work.parts, need)
    assembly = made.assembly
    accepted = _accepted(need, assembly)
    known: list[KnownStop] = []
    missing: list[str] = []
    of_machine: dict[UUID, list[CheckedSeries]] = {}
    moment = now()
    for machine, stop in made.stops:
        if machine.id not in of_machine:
            of_machine[machine.id] = checks.of_machine(connection, machine.id)
        series = of_machine[machine.id]
        state = next(
            (s for s in stop_states(connection, machine, series, moment) if s.stop.id == stop.id),
            None,
        )
        swung = sum(each.id == machine.id for each, _ in made.stops) > 1
        told = _known(state, series, swung) if state else f"{machine.name}, {stop.name} is retired."
        if isinstance(told, str):
            missing.append(told)
        else:
            known.append(told)
    if missing:
        return WorkAnswer(assembly, accepted, None, tuple(missing), tuple(missing))
    found = chances(assembly, known, accepted, np.random.default_rng(_SEED))
    said = (
        *sentences.told(assembly, found, accepted, work.unit),
        *sentences.uncounted(assembly, known),
    )
    return WorkAnswer(assembly, accepted, found, (), said)


def _accepted(work: Mapping[str, Any], assembly: Assembly) -> tuple[float, ...]:
    """The gap accepted at each joint: the one named, or what the tolerance leaves there."""
    if work["gap"] is not None:
        gap = mm(parse_length(work["gap"], work["unit"]))
        return (gap,) * len(assembly.joints)
    return tuple(joint_gap(tolerance(work).high, assembly.joint_mm).tolist())


# ---------------------------------------------------------------- what is known of a stop


def _known(
    state: StopOfMachine, of_machine: Sequence[CheckedSeries], swung: bool
) -> KnownStop | str:
    """What is known of a stop, or in a sentence why that is not enough. swung: whether the machine
    is swung from stop to stop between the cuts of the work."""
    latest, called = state.latest, state.called
    if latest is None:
        return f"{called} is not measured yet."
    if state.state.changed is not None:
        return f"{called} was changed since it was measured: measure it again."
    check, facts = latest.check, latest.series.facts
    if check.sd is None:
        return f"{called} was measured by 1 strip, which does not show its scatter: cut more."
    visits, returned = check.visits, of_stop(of_machine, state.stop.id)
    sd, df = check.sd, check.trials - 1
    if visits is not None:
        # Of one strip a visit the scatter of the strips has that of the stop.
        sd, df = float(visits.sd[0]), int(visits.visits[0]) - 1
        if visits.within_df[0]:
            sd, df = float(visits.within[0]), int(visits.within_df[0])
        else:
            returned = None
    hand = check.per_reading * InputUncertainties.of(facts).least_hand
    rounding = check.per_reading * uncertainty.rounding(facts.resolution_mm)
    fixed = math.sqrt(max(check.u**2 - check.anew_u**2, 0.0))
    return KnownStop(
        called,
        check.mean * as_leaning(latest, state.stop),
        check.anew_u,
        fixed,
        counts.scatter_bounds(sd, df + 1, rounding).most,
        df,
        hand,
        facts.method.cut_share(facts.pieces),
        _length(of_machine),
        returned,
        None if visits is None else check.anew_df,
        swung,
    )


def _length(of_machine: Sequence[CheckedSeries]) -> KnownLength | None:
    """How well lengths repeat on a machine, by its latest series of parts cut to a stop."""
    for series in reversed(of_machine):
        check = series.checks.get("length")
        if series.row.method == _LENGTHS and check is not None and check.sd is not None:
            rounding = check.per_reading * uncertainty.rounding(series.facts.resolution_mm)
            sd = counts.scatter_bounds(check.sd, check.trials, rounding).most
            return KnownLength(sd, check.trials - 1)
    return None


# ---------------------------------------------------------------- from the parts to an assembly


def _stop(connection: Connection, machine_id: UUID, named: UUID | str) -> Row[Any]:
    """The stop of a machine with this id or name; of one that was merged into it, the same setting.
    Raises NotFound, naming those there are."""
    if isinstance(named, UUID):
        row = stops.stop(connection, named)
        if row.machine_id in machines.merged_into(connection, machine_id):
            found, called = stops.there(connection, row, machine_id)
            every = stops.stops(connection, machine_id)
            same = (each for each in every if stops.same_setting(each, row))
            return found or next(same, None) or stops.stop_of(connection, machine_id, called)
    return stops.stop_of(connection, machine_id, named)


def _stop_ids(connection: Connection, cut: Mapping[str, str]) -> dict[str, str]:
    try:
        machine = machines.machine(connection, parse_id(cut["machine"]))
    except NotFound as error:
        raise InvalidField("parts.machine", str(error)) from None
    try:
        stop = _stop(connection, machine.id, parse_id(cut["stop"]))
    except NotFound as error:
        raise InvalidField("parts.stop", str(error)) from None
    return {"machine": str(machine.id), "stop": str(stop.id)}


@dataclass(frozen=True, slots=True)
class _Assembled:
    """stops: rows of the machine and the stop that the cuts of the assembly name by place."""

    assembly: Assembly
    stops: tuple[tuple[Row[Any], Row[Any]], ...]


class _Stops:
    """Gives each stop that is named a place."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self.rows: dict[UUID, tuple[Row[Any], Row[Any]]] = {}

    def cut(self, named: Mapping[str, str]) -> tuple[int, Row[Any]]:
        machine = machines.machine(self._connection, UUID(named["machine"]))
        stop = _stop(self._connection, machine.id, UUID(named["stop"]))
        self.rows.setdefault(stop.id, (machine, stop))
        return list(self.rows).index(stop.id), stop


def _assembled(connection: Connection, parts: Parts, work: Mapping[str, Any]) -> _Assembled:
    placed = _Stops(connection)
    try:
        made = _KINDS[parts["kind"]](parts, work, placed)
    except ValueError as error:
        if isinstance(error, InvalidField):
            raise
        field, _, message = str(error).partition(": ")
        raise InvalidField(f"parts.{field}" if message else "parts", message or field) from None
    return _Assembled(made, tuple(placed.rows.values()))


def _mm(field: str, text: str, unit: Unit) -> float:
    try:
        return positive(field, mm(parse_length(text, unit)))
    except ValueError as error:
        message = str(error).removeprefix(f"{field}: ")
        raise InvalidField(f"parts.{field}", message) from None


def _ends(cuts: Sequence[Mapping[str, str]], placed: _Stops) -> tuple[Cut, Cut]:
    """Of a piece whose ends close joints; one cut stands for both."""
    found = [Cut(placed.cut(cut)[0]) for cut in cuts]
    return found[0], found[-1]


def _frame(parts: Parts, work: Mapping[str, Any], placed: _Stops) -> Assembly:
    unit, sides = work["unit"], parts["sides"]
    given = [_mm("lengths", text, unit) for text in parts["lengths"]]
    if sides % len(given):
        raise InvalidField(
            "parts.lengths",
            f"give one length for all {sides} pieces, or in order around the frame as many as go"
            " into that number",
        )
    joint = parts.get("joint") or work["joint"]
    if joint is None:
        raise InvalidField("parts.joint", "is needed: how long a joint of the frame is")
    ends = []
    for named in parts["cuts"]:
        place, stop = placed.cut(named)
        nominal = abs(float(parse_number(stop.nominal_deg)))
        if abs(nominal * sides - 180) > CLOSED_DEG:
            raise InvalidField(
                "parts.cuts",
                f"the pieces of a frame of {sides} are cut at {plain(180 / sides, 4)} degrees; "
                f"stop {stop.name} is at {plain(nominal)}",
            )
        ends.append(Cut(place, way_of(stop)))
    lengths = given * (sides // len(given))
    return frame(lengths, _mm("joint", joint, unit), (ends[0], ends[-1]), ends[0].stop)


def _case(parts: Parts, work: Mapping[str, Any], placed: _Stops) -> Assembly:
    names = ("width", "height", "depth")
    width, height, depth = (_mm(name, parts[name], work["unit"]) for name in names)
    ends = _ends(parts["cuts"], placed)
    return case(width, height, depth, ends, ends[0].stop)


def _shelves(parts: Parts, work: Mapping[str, Any], placed: _Stops) -> Assembly:
    length, depth = (_mm(name, parts[name], work["unit"]) for name in ("length", "depth"))
    ends = _ends(parts["cuts"], placed)
    return shelves(parts["count"], length, depth, ends, ends[0].stop)


def _joints(parts: Parts, work: Mapping[str, Any], placed: _Stops) -> Assembly:
    of = []
    for joint in parts["joints"]:
        cuts = [placed.cut(cut) for cut in joint["cuts"]]
        # An edge meets one cut; the corners of two add up.
        ways = [way_of(stop) if len(cuts) > 1 else 1.0 for _, stop in cuts]
        ends = tuple(Cut(place, way) for (place, _), way in zip(cuts, ways, strict=True))
        of.append((_mm("length", joint["length"], work["unit"]), ends, joint["count"]))
    return joints(of)


_KINDS: Final = {"frame": _frame, "case": _case, "shelves": _shelves, "joints": _joints}
