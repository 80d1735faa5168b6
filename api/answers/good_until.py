"""Until when a stop of a machine may be trusted, and why."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final
from uuid import UUID

import numpy as np

from analysis import sentences
from analysis.conformity import ADJUST, UNKNOWN
from analysis.conversions import SizeUnit, size_text
from analysis.until import LONGEST_DAYS, OWN_DAYS, Followed, Until, jumps_in, until
from analysis.visits import returns
from api.answers.history import DriftLine, MachineHistory
from api.answers.machine_state import KnownCheck, MachineState
from api.answers.moments import day

_ALWAYS: Final = "after every blade change, move, adjustment or knock"
# Of a date further away only the month is said.
_MONTHS_AHEAD: Final = timedelta(days=60)
# A drift is said over this time.
_MONTH_DAYS: Final = 30.44


@dataclass(frozen=True, slots=True)
class GoodUntil:
    """at: the date, None where it is due now. chance: of being out by then, None where few checks
    tell none. sentence: all of it with the reason; led by the date, where there is one."""

    at: datetime | None
    chance: float | None
    sentence: str


@dataclass(frozen=True, slots=True)
class Basis:
    """What a date follows from, the same on any day. why: it is due at once, empty where `found`
    counts from the last check."""

    why: str
    last: datetime | None = None
    found: Until | None = None
    own_days: int | None = None
    unit: SizeUnit = "rad"

    def on(self, moment: datetime) -> GoodUntil:
        """The date, in the words of that moment."""
        if self.last is None or self.found is None:
            return _now(self.why)
        return said(self.last, self.found, self.own_days, moment, self.unit, _ALWAYS)


def good_until_by_stop(found: MachineHistory, moment: datetime) -> dict[UUID, GoodUntil]:
    """Of each stop of a machine, by its id."""
    return {
        each.stop.id: good_until(each.state, found.drift, each.stop.check_days, moment)
        for each in found.state.stops
    }


def good_until(
    state: MachineState,
    drift: Mapping[str, DriftLine],
    own_days: int | None,
    moment: datetime,
) -> GoodUntil:
    """Until when what is known of a stop may be trusted: at once where something is still to be
    done, else as long as each thing that is checked allows.

    drift: all lines of the machine. own_days: a person's own interval, None where none is said.
    """
    return basis(state, drift, own_days).on(moment)


def basis(state: MachineState, drift: Mapping[str, DriftLine], own_days: int | None) -> Basis:
    """What that follows from."""
    if not state.known:
        return Basis("it has not been checked yet")
    if state.caveat:
        return Basis("it was changed since it was measured")
    verdicts = {known.check.verdict for known in state.known}
    if ADJUST in verdicts:
        return Basis("adjust it, then measure it again")
    if UNKNOWN in verdicts:
        return Basis("more strips are needed for a verdict")
    each = [_of_known(known, _line(known, drift.values()), own_days) for known in state.known]
    at, found, known = min(each, key=lambda e: e[0] + timedelta(days=e[1].days))
    unit: SizeUnit = "mm" if known.check.quantity == "length" else "rad"
    return Basis("", at, found, own_days, unit)


def _now(what: str) -> GoodUntil:
    return GoodUntil(None, None, f"Now: {what}.")


def _line(known: KnownCheck, lines: Iterable[DriftLine]) -> DriftLine | None:
    """The line that ends with this check."""
    for line in lines:
        last = line.known[-1]
        if last.series.id == known.series.id and last.check.quantity == known.check.quantity:
            return line
    return None


def _of_known(
    known: KnownCheck, line: DriftLine | None, own_days: int | None
) -> tuple[datetime, Until, KnownCheck]:
    tolerance = known.check.tolerance
    if tolerance is None or line is None:
        found = Until(float(own_days or OWN_DAYS), "own interval", 1)
    else:
        found = until(_followed(line, (tolerance.high - tolerance.low) / 2), own_days)
    return known.at, found, known


def _followed(line: DriftLine, half: float) -> Followed:
    first = line.known[0].at
    off, since = np.array([k.off for k in line.known]), line.phases[-1].since
    visits = [k.check.visits for k in line.known]
    came = returns(found for found in visits if found is not None)
    return Followed(
        np.array([(k.at - first).total_seconds() / 86_400 for k in line.known]),
        off,
        half,
        since,
        line.known[-1].check.rounding_u,
        jumps_in(line.phases, off, half),
        0.0 if came is None else came.careful_sd,
        float(np.mean([1.0 if v is None else 1 / v.visits[0] for v in visits[since:]])),
    )


# ---------------------------------------------------------------- in words


def said(
    last: datetime, found: Until, own_days: int | None, moment: datetime, unit: SizeUnit, also: str
) -> GoodUntil:
    """The date, counted from the last check, with the reason. also: when to check as well."""
    if found.days <= 0:
        return _now(
            "its series scatter so much that it may be out already (more than 5 %): check it "
            "before each work that needs this tolerance"
        )
    at = last + timedelta(days=found.days)
    ahead = at - moment
    when = f"about {at.astimezone():%B %Y}" if ahead > _MONTHS_AHEAD else day(at)
    if ahead < timedelta(0):
        start = f"Overdue since {day(at)}"
    elif found.method == "control chart":
        start = f"Good until {when}"
    else:
        start = f"Check it by {when}"
    if found.chance is not None and found.limits != "longest":
        start += f" ({round(100 * found.chance)} % chance of being out by then)"
    why = f"{_reason(found, own_days, unit)}. Check it also {also}."
    return GoodUntil(at, found.chance, sentences.Led(start, ": ", why))


def _reason(found: Until, own_days: int | None, unit: SizeUnit) -> str:
    checks = f"{found.checks} series"
    if found.method == "own interval":
        return _interval(own_days)
    if found.method == "staircase":
        days = sentences.cuts(round(found.days), "day")
        return (
            f"by {checks} of its present state no chance can be told yet, so the interval is "
            f"{days}: longer after each one that kept well within the tolerance, shorter after one "
            "outside"
        )
    if found.limits == "longest":
        if own_days is not None and found.days == own_days:
            return f"the interval that you set; by {checks} it could be longer"
        return f"by {checks} it could be more than {round(LONGEST_DAYS / 365)} years"
    if found.limits == "drift" and found.drift is not None:
        a_month = size_text(found.drift * _MONTH_DAYS, unit)
        return f"a drift of about {a_month} a month in {checks}"
    if found.limits == "scatter":
        return f"the scatter of {checks} leaves little of the tolerance"
    return (
        f"no drift to the limit in {checks}; a sudden jump may still come, and the longer none "
        "does, the later this date"
    )


def _interval(own_days: int | None) -> str:
    if own_days is not None:
        return f"the interval that you set, {sentences.cuts(own_days, 'day')}"
    return f"{OWN_DAYS} days, until more series with a tolerance tell how long it keeps"
