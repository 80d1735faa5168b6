"""What to move on a machine, which way and how far, according to one series."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal
from uuid import UUID

from sqlalchemy import Connection, Row

from analysis import advice
from analysis.advice import Advice, Fence
from analysis.conformity import ADJUST, GOOD
from analysis.methods import Method, Side, cautions_on
from analysis.recut import Found, found_by
from api.answers import checks
from api.answers.checks import CheckedSeries
from api.answers.history import MachineHistory
from api.answers.machine_state import KIND_WORDS, KnownCheck, known_of
from api.answers.moments import day
from api.errors import InvalidField


@dataclass(frozen=True, slots=True)
class Adjusting:
    """How the machine is adjusted, in mm; None where it was not said. setting: how closely what is
    moved can be set, as a length at the adjusting point or as an angle."""

    pivot: Side = "left"
    span_mm: float | None = None
    pitch_mm: float | None = None
    setting_mm: float = 0.0
    setting_rad: float = 0.0

    @property
    def fence(self) -> Fence | None:
        if self.span_mm is None:
            return None
        return Fence(self.span_mm, self.pivot, self.pitch_mm)


Ask = Literal["span", "pitch"]


@dataclass(frozen=True, slots=True)
class QuantityAdvice:
    """Advice for one quantity of the series, in radians or mm. asks: what was not given and would
    make the advice more exact."""

    known: KnownCheck
    found: Found
    advice: Advice
    asks: tuple[Ask, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MachineAdvice:
    """What to move on a machine (its row), according to one series."""

    machine: Row[Any]
    series: CheckedSeries
    quantities: tuple[QuantityAdvice, ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]


def uses_fence(method: Method) -> bool:
    """Whether pivot, span and screw of a fence matter to what the method finds."""
    return any(r.adjusted_by == "fence" for r in method.relations)


def uses_span(method: Method) -> bool:
    """Whether a distance between adjusting points matters to what the method finds."""
    return any(r.adjusted_by in ("fence", "cutterhead") for r in method.relations)


def uses_screw(method: Method) -> bool:
    """Whether the pitch of an adjusting screw matters to what the method finds."""
    return any(r.adjusted_by in ("fence", "stop") for r in method.relations)


def sets_angle(method: Method) -> bool:
    """Whether what is moved is set by an angle: a tilt, or a miter."""
    return any(r.adjusted_by in ("blade tilt", "miter setting") for r in method.relations)


def machine_advice(
    connection: Connection, found: MachineHistory, series: UUID | None, adjusting: Adjusting
) -> MachineAdvice:
    """Advice from `series`, or else from the one behind the machine's present state.

    Raises InvalidField where the series is not one of this machine's or has no complete trial yet,
    and for lengths that can't be right.
    """
    return series_advice(found, _series(connection, found, series), adjusting)


def _series(connection: Connection, found: MachineHistory, series: UUID | None) -> CheckedSeries:
    if series is None:
        if not found.state.known:
            raise InvalidField("series", "this machine has no complete strip yet; measure it first")
        return found.state.known[0].series
    of = checks.of_series(connection, series)
    if of is None or of.row.machine_id != found.machine.id:
        raise InvalidField("series", "is none of this machine's; its history lists those that are")
    return of


def series_advice(
    found: MachineHistory, series: CheckedSeries, adjusting: Adjusting
) -> MachineAdvice:
    """The same for a series that was read already."""
    method = series.facts.method
    if method.judges != "machine":
        raise InvalidField(
            "series", f"{method.title} checks the caliper; nothing on the machine moves"
        )
    known = [k for q in method.reveals if (k := known_of(series, q)) is not None]
    if not known:
        raise InvalidField("series", "has no complete strip yet; measure first")
    return MachineAdvice(
        machine=found.machine,
        series=series,
        quantities=tuple(
            m for k in known if (m := _quantity_advice(method, k, adjusting)) is not None
        ),
        notes=_notes(found, series),
        cautions=cautions_at(found.machine.kind),
    )


def cautions_at(kind: str | None) -> tuple[str, ...]:
    """What must be read before anything is moved on a machine of this kind."""
    return cautions_on(advice.ADJUSTING_CAUTIONS, kind)


def _quantity_advice(
    method: Method, known: KnownCheck, adjusting: Adjusting
) -> QuantityAdvice | None:
    check, notes = known.check, list[str]()
    measured = _found(known)
    try:
        found = _advice(known, measured, adjusting, notes)
    except ValueError as error:
        field, _, message = str(error).partition(": ")
        raise InvalidField(field if message else "series", message or field) from None
    if found is None:
        return None
    if not found.leave_it and check.verdict == GOOD:
        notes.insert(0, "It is within its tolerance: it may stay as it is.")
    if found.leave_it and check.verdict == ADJUST:
        notes.insert(
            0,
            "It is outside its tolerance, but by how much is not known well enough for a move.",
        )
    asks: list[Ask] = []
    if not found.leave_it and check.quantity == "angle" and uses_span(method):
        if adjusting.span_mm is None:
            asks.append("span")
        elif uses_fence(method) and adjusting.pitch_mm is None:
            asks.append("pitch")
    return QuantityAdvice(known, measured, found, tuple(asks), tuple(notes))


def _found(known: KnownCheck) -> Found:
    check, facts = known.check, known.series.facts
    return found_by(
        facts.method,
        check.quantity,
        known.off,
        trials=check.trials,
        u=check.u,
        anew_u=check.anew_u,
        anew_df=check.anew_df,
        expanded=check.expanded,
        straightness=bool(facts.straightness_mm),
    )


def _advice(
    known: KnownCheck, found: Found, adjusting: Adjusting, notes: list[str]
) -> Advice | None:
    """The advice for what is adjusted; None where nothing is to be moved. Adds to `notes`."""
    check, row, facts = known.check, known.series.row, known.series.facts
    base = facts.baseline_mm
    match known.relation.adjusted_by:
        case None:
            return None
        case "stop":
            if check.tolerance is None:
                return None  # without the wanted length nothing is too long
            return advice.advise_stop(
                found, pitch_mm=adjusting.pitch_mm, setting_mm=adjusting.setting_mm
            )
        case "blade tilt":
            return advice.advise_tilt(
                found, strip_side=row.strip_side, setting_rad=adjusting.setting_rad
            )
        case "blade mount":
            assert base is not None  # the method needs a baseline
            return advice.advise_slot(found, distance_mm=base, setting_mm=adjusting.setting_mm)
        case "miter setting":
            frame = facts.method.pieces is not None
            return advice.advise_miters(found, frame=frame, setting_rad=adjusting.setting_rad)
        case "cutterhead":
            assert base is not None
            if adjusting.span_mm is None:
                notes.append(
                    "Told over the width of the board; give the distance between the 2 adjusting "
                    "points to know it there."
                )
            return advice.advise_cutterhead(
                found,
                span_mm=adjusting.span_mm or base,
                setting_mm=adjusting.setting_mm,
            )
        case "fence":
            if known.half is not None:
                notes.append(f"It is the {known.half} half of the fence that this judges.")
            elif facts.method.sided:
                notes.append(
                    "A reversal shows the mean of both halves of the fence. Where they are not "
                    "in one line, parts cut later with the board on one side come out at that "
                    "half's error: a roll with the board on each side tells them apart."
                )
            return advice.advise(
                found,
                strip_side=row.strip_side,
                fence=adjusting.fence,
                setting_mm=adjusting.setting_mm,
            )


def _notes(found: MachineHistory, series: CheckedSeries) -> tuple[str, ...]:
    stop = (
        ()
        if len(found.stops) < 2
        else (
            f"This is for the stop {series.row.stop}. Move that stop itself where the machine has a"
            " screw for it: moving the fence or the blade moves every stop by as much.",
        )
    )
    changed = [c for c in found.changes if c.at > series.row.started_at]
    if not changed:
        return stop
    happened = KIND_WORDS.get(changed[-1].kind, changed[-1].kind)
    return (
        *stop,
        f"This was measured on {day(series.row.started_at)}. Since then the machine was "
        f"{happened} ({day(changed[-1].at)}): measure again before you move anything.",
    )
