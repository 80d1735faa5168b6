"""Which machines, and which of their stops, ask first for something to be done."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Final, Literal, NamedTuple, get_args

from analysis.conformity import ADJUST, GOOD, Verdict
from api.answers.good_until import GoodUntil
from api.answers.machine_state import MachineState
from api.store.squares import SQUARE

Urgency = Literal["needs adjusting", "cannot tell yet", "not known", "due", "good enough"]
_ORDER: Final[dict[str, int]] = {name: place for place, name in enumerate(get_args(Urgency))}

_AT_ONCE: Final = datetime.min.replace(tzinfo=UTC)


class StopUrgency(NamedTuple):
    """Of the stop with this name; measured: whether anything was ever found there. good_until: the
    date of its next check, None where that is due now. off: how far it is off, in tolerances."""

    stop: str
    measured: bool
    urgency: Urgency
    good_until: datetime | None
    off: float = 0.0


def of_stop(state: MachineState, until: GoodUntil) -> Urgency:
    """Of one stop: its verdict, unless that is none, no longer holds, or is past its date."""
    return of_verdict(state.verdict, until.at, state.now)


def of_verdict(verdict: Verdict | None, at: datetime | None, now: datetime) -> Urgency:
    """Of a verdict that holds, None where none does, by the date of the next check."""
    return _of(verdict, at is None or at < now)


def of_work(verdict: Verdict | None, stop: Urgency, at: datetime | None, now: datetime) -> Urgency:
    """Of the verdict on a stop for a work, by the date of the stop, whose own urgency is `stop`; it
    has none where it is not good enough for what it was measured for, and may be for this."""
    return _of(verdict, stop == "due" if at is None else at < now)


def _of(verdict: Verdict | None, past: bool) -> Urgency:
    if verdict is None:
        return "not known"
    return "due" if verdict == GOOD and past else verdict


def of_machine(stops: Iterable[StopUrgency]) -> Urgency:
    """That of its most urgent stop; "not known" without one."""
    each = list(stops)
    return foremost(each).urgency if each else "not known"


def foremost(stops: Iterable[StopUrgency]) -> StopUrgency:
    """The stop of a machine that asks first for something to be done. Every machine has the stop
    `square`, whether it is used or not: one that was never measured does not count beside others
    that were; of those that need adjusting, the one that is off by the most of its tolerance comes
    first. Raises ValueError without a stop."""
    each = list(stops)
    used = [s for s in each if s.measured or s.stop != SQUARE]
    counted = used if any(s.measured for s in used) else each
    return min(counted, key=_asks)


def _asks(stop: StopUrgency) -> tuple[int, float, datetime]:
    off = stop.off if stop.urgency == ADJUST else 0.0
    return _ORDER[stop.urgency], -off, stop.good_until or _AT_ONCE


def asks_first(urgency: Urgency, stops: Iterable[StopUrgency]) -> tuple[int, datetime]:
    """What machines are put in order by: the most urgent first, and of those alike the one whose
    next check is due first."""
    dates = [s.good_until or _AT_ONCE for s in stops if s.urgency == urgency]
    return _ORDER[urgency], min(dates, default=_AT_ONCE)
