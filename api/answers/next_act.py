"""What to do next after a series, by its verdict: one act."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal
from uuid import UUID

from sqlalchemy import Connection, Row

from analysis import conformity
from analysis.conformity import Verdict
from analysis.methods import Quantity
from api.answers import history
from api.answers.advice import Adjusting, MachineAdvice, series_advice
from api.answers.checks import CheckedSeries
from api.answers.good_until import GoodUntil, good_until
from api.answers.history import MachineHistory
from api.answers.machine_state import KnownCheck, all_known, machine_state, stop_state, worst
from api.answers.progress import Progress, progress
from api.answers.series import Scored, scored_doubted
from api.answers.since_change import SinceChange, since_change
from api.answers.works import StopOfMachine, WorkVerdict, of_stop
from api.store.facts import method_of
from api.store.stamps import now

Act = Literal[
    "go on", "check again", "adjust", "measure more", "measure again", "say the need", "decide",
    "see the later series", "none",
]  # fmt: skip


_WIDER: Final = "accept a wider tolerance."
_STUDY: Final = "This checks a caliper: what it found counts in the series that are read with it."


@dataclass(frozen=True, slots=True)
class NextAct:
    """What a series found, and what to do now.

    row: with the names of bench, machine and work. stop, stop_until: with `works`, the stop and
    until when it may be trusted. verdict: the one that asks most for something to
    be done; sentence: what was found, with it. doubted: numbers of the trials that deserve a second
    look before that act. until: with "check again". advice: with "adjust",
    of the quantities that need it alone. way, amount: with "measure more", as of `remedy.Remedy`.
    later: the series that took the place of this one. works: the verdicts on its stop for all
    works, where this is what is known of it. since: what the change before it did.
    """

    row: Row[Any]
    act: Act
    instruction: str
    verdict: Verdict | None
    sentence: str
    doubted: tuple[int, ...]
    progress: Progress
    works: tuple[WorkVerdict, ...] = ()
    stop: StopOfMachine | None = None
    stop_until: GoodUntil | None = None
    since: tuple[SinceChange, ...] = ()
    until: GoodUntil | None = None
    advice: MachineAdvice | None = None
    way: str | None = None
    amount: float | None = None
    later: UUID | None = None


def next_act(connection: Connection, series_id: UUID) -> NextAct:
    """What to do after a series, as things stand now. Raises NotFound where there is none."""
    scored, doubts = scored_doubted(connection, series_id)
    row = scored.row
    doubted = tuple(sorted({number for doubt in doubts for number in doubt.trial_numbers}))
    found = history.read(connection, row.machine_id)
    checked = next((s for s in found.series if s.id == series_id), None)
    known = [] if checked is None else all_known(checked)
    said = NextAct(row, "none", "", worst(known), _sentence(known), doubted, progress(scored))
    if checked is None or method_of(row).judges != "machine":
        return replace(said, instruction=_STUDY)
    if row.finished_at is None:
        since = since_change(connection, row)
        return replace(said, act="go on", instruction=said.progress.sentence, since=since)
    if not known:
        return replace(
            said,
            act="measure more",
            instruction=f"No {method_of(row).noun} is complete yet: go on with this series.",
        )
    later = _later(found, checked)
    if later is not None:
        return replace(
            said,
            act="see the later series",
            instruction="The same was measured again after it: see that series.",
            later=later.id,
        )
    said = replace(_with_works(said, connection, found), since=since_change(connection, row))
    if any(change.at > row.started_at for change in found.changes):
        return replace(
            said,
            act="measure again",
            instruction="The machine was changed since: measure it again to know how it stands.",
        )
    return _by_verdict(said, found, checked, known, scored)


def _by_verdict(
    said: NextAct,
    found: MachineHistory,
    checked: CheckedSeries,
    known: Sequence[KnownCheck],
    scored: Scored,
) -> NextAct:
    match said.verdict:
        case None:
            return replace(
                said,
                act="say the need",
                instruction="Say what you make, or a tolerance: then it says whether this is good"
                " enough.",
            )
        case conformity.GOOD:
            until = _until(found, checked)
            return replace(said, act="check again", instruction=until.sentence, until=until)
        case conformity.ADJUST:
            return _adjust(said, found, checked, known)
        case _:
            return _tell(said, scored)


def _tell(said: NextAct, scored: Scored) -> NextAct:
    """The cheapest way to a verdict."""
    for quantity in scored.score.quantities.values():
        way = quantity.remedy
        if quantity.verdict == conformity.UNKNOWN and way is not None:
            act: Act = "decide" if way.kind == "none" else "measure more"
            words = way.sentence if act == "measure more" else _decide(way.sentence)
            return replace(said, act=act, instruction=words, way=way.kind, amount=way.amount)
    return said


def _decide(why: str) -> str:
    """What is left to do where nothing practical tells, after why."""
    return why if why.endswith(_WIDER) else f"{why} Set it nearer to nominal, or {_WIDER}"


def _adjust(
    said: NextAct, found: MachineHistory, checked: CheckedSeries, known: Sequence[KnownCheck]
) -> NextAct:
    """What to move; more strips where that is not known closely enough."""
    out: set[Quantity] = {k.check.quantity for k in known if k.check.verdict == conformity.ADJUST}
    advice = series_advice(found, checked, Adjusting())
    each = tuple(q for q in advice.quantities if q.known.check.quantity in out)
    if not each:
        return replace(
            said,
            act="decide",
            instruction="It is outside what is needed, and what to move does not follow from this"
            f" method: set it by its maker's manual, or {_WIDER}",
        )
    moves = tuple(q for q in each if not q.advice.leave_it)
    instruction = " ".join(q.advice.what for q in moves or each)
    advice = replace(advice, quantities=moves or each)
    if not moves:
        return replace(said, act="measure more", instruction=instruction, advice=advice)
    return replace(said, act="adjust", instruction=instruction, advice=advice)


def _until(found: MachineHistory, checked: CheckedSeries) -> GoodUntil:
    days = next((s.check_days for s in found.stops if s.id == checked.row.stop_id), None)
    state = stop_state([checked], found.changes, now())
    return good_until(state, found.drift, days, now())


def _later(found: MachineHistory, of: CheckedSeries) -> CheckedSeries | None:
    """The latest series that shows the same of the same stop, where it is not `of`."""
    names = ("stop_id", "method", "strip_side")
    same = [
        s
        for s in found.series
        if s.trials and all(getattr(s.row, name) == getattr(of.row, name) for name in names)
    ]
    return same[-1] if same and same[-1].id != of.id else None


def _with_works(said: NextAct, connection: Connection, found: MachineHistory) -> NextAct:
    """With the verdicts on its stop for all works."""
    state = machine_state(found.series, found.changes, now(), found.stops)
    for each in state.stops:
        if each.stop.id == said.row.stop_id:
            of = StopOfMachine(found.machine, each.stop, each.state)
            until = good_until(each.state, found.drift, each.stop.check_days, state.now)
            works = tuple(of_stop(connection, of))
            return replace(said, works=works, stop=of, stop_until=until)
    return said


def _sentence(known: Sequence[KnownCheck]) -> str:
    """What was found, first what asks most for something to be done."""
    verdict = worst(known)
    first = [k for k in known if k.check.verdict == verdict]
    return " ".join(k.sentence for k in [*first, *(k for k in known if k not in first)])
