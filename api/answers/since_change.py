"""Whether a setup change helped, or a swing did harm, told by itself of the series that follows it.

Nothing is told where nothing was done in between: nobody asks then.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal
from uuid import UUID

from sqlalchemy import Connection, Row

from analysis import adjustment, returning
from analysis.interval import Interval
from analysis.methods import Quantity
from analysis.recut import ENOUGH
from analysis.score import QuantityScore
from analysis.sentences import Led
from api.answers import came_back, helped
from api.answers.before_after import BeforeAfter
from api.answers.comparable import ComparableSeries, comparable, shared_quantities
from api.answers.history import MachineHistory
from api.store.facts import method_of
from api.store.rows.machines import setup_changes
from api.store.rows.series import complete_before

Question = Literal["did it help", "did it come back"]

# Series to look back over for the one before the change.
_FAR_ENOUGH_BACK: Final = 20


@dataclass(frozen=True, slots=True, eq=False)
class SinceChange:
    """What a change did to one quantity. moved: of the distance of the mean from nominal, after
    minus before, where it is asked whether it helped; else of the mean itself; with its interval,
    both in the unit of `of.values`. left: what the series after says of the quantity."""

    question: Question
    answer: adjustment.Answer | returning.Answer
    of: BeforeAfter
    moved: float | None
    interval: Interval | None
    sentence: Led
    left: QuantityScore


def since_change(connection: Connection, series: Row[Any]) -> tuple[SinceChange, ...]:
    """By quantity, what the latest change before a series did, by this series and the last one
    before the change, of the same stop, method and side of the strip; one of a trial or two only
    where there is no other.

    Empty where none is recorded between them but a move or a cleaning, and for further series
    after one of three trials or more, which told it.
    """
    question, before = asked(connection, series)
    if question is None or before is None:
        return ()
    pair = comparable(connection, before), comparable(connection, series.id)
    if not any(trial.row.state == "complete" for trial in pair[1].whole.trials):
        return ()
    return tuple(
        _answer(connection, question, pair, quantity)
        for quantity in shared_quantities(pair)
        if quantity != "length" or None not in (pair[0].nominal_mm, pair[1].nominal_mm)
    )


def of_machine(connection: Connection, found: MachineHistory) -> tuple[SinceChange, ...]:
    """What the latest change did, by the latest series of each stop, method and side of the strip
    since then."""
    stops = {stop.id for stop in found.stops}
    latest = {
        (series.row.stop_id, series.row.method, series.row.strip_side): series.row
        for series in found.series
        if series.trials and series.row.stop_id in stops
    }
    return tuple(
        each
        for row in latest.values()
        if found.changes and row.started_at >= found.changes[-1].at
        for each in since_change(connection, row)
    )


def asked(connection: Connection, series: Row[Any]) -> tuple[Question | None, UUID | None]:
    """What is asked of a series, and the series before the change. None where nothing is."""
    if method_of(series).judges != "machine":
        return None, None
    changes = [
        change
        for change in setup_changes(connection, series.machine_id)
        if change.at <= series.started_at
    ]
    if not changes:
        return None, None
    before: list[tuple[Row[Any], list[str]]] = []
    for earlier in complete_before(connection, series, _FAR_ENOUGH_BACK):
        between = [change.kind for change in changes if change.at > earlier.started_at]
        if before and len(between) > len(before[0][1]):
            break  # another state of the machine
        if between:
            before.append((earlier, between))
        elif earlier.trials >= ENOUGH:
            break
    if not before:
        return None, None
    told = next((each for each in before if each[0].trials >= ENOUGH), before[0])
    return _question(told[1]), told[0].id


def _question(kinds: Sequence[str]) -> Question | None:
    if not helped.TO_CUT_NEARER.isdisjoint(kinds):
        return "did it help"
    return "did it come back" if set(kinds) == {"swung and back"} else None


def _answer(
    connection: Connection,
    question: Question,
    pair: tuple[ComparableSeries, ComparableSeries],
    quantity: Quantity,
) -> SinceChange:
    left = pair[1].whole.scored.score.quantities[quantity]
    if question == "did it help":
        told = helped.helped(connection, *pair, quantity)
        result = told.result
        return SinceChange(
            question, result.answer, told.of, result.change, result.interval, result.sentence, left
        )
    back = came_back.came_back(connection, *pair, quantity, None)
    shift = back.result.shift
    return SinceChange(
        question,
        back.result.answer,
        back.of,
        None if shift is None else shift.estimate,
        None if shift is None else shift.interval,
        back.result.sentence,
        left,
    )
