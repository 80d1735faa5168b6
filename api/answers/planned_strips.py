"""How many strips the next series of a stop should have, by what its earlier ones show."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any, Final

from sqlalchemy import Connection, Row

from analysis import planning, sentences
from analysis.conformity import Tolerance
from analysis.sequential import earlier_scatter
from api.answers import checks
from api.answers.checks import CheckedSeries
from api.answers.machine_state import KnownCheck, known_of
from api.answers.moments import day
from api.answers.scatter_before import FAR_ENOUGH_BACK, tell_scatter
from api.store.facts import method_of
from api.store.rows.machines import latest_changes
from api.store.rows.series import like_it

USUAL: Final = 5
"""Where nothing tells yet how a stop scatters; common practice, no source."""
# Two show too little of the scatter, also for a move; nobody cuts more than so many at once.
_FEWEST: Final = 3
_MOST: Final = 20
# The latest series tell the scatter as it is now.
_FOR_SCATTER: Final = 5


@dataclass(frozen=True, slots=True)
class PlannedStrips:
    """strips: None where no number that anybody cuts would tell. by_history: whether the stop's
    own series gave the number."""

    strips: int | None
    by_history: bool
    sentence: str


def planned_strips(
    connection: Connection,
    last: Row[Any] | None,
    tolerance: Tolerance | None,
    noun: str = "strip",
    *,
    changed: bool = False,
) -> PlannedStrips:
    """The number after which 9 of 10 series with the settings of `last` give a verdict at their
    planned end, where the stop scatters as before and stands where it stood, or at nominal where
    the machine was changed since. Neither is known exactly: of stops anywhere up to half as far
    again as their limit, 8 of 10 series of the number proposed tell (own simulation,
    `benchmarks.truth.loop`).

    last: a row of `tables.Series` with its stop; None for a stop that was never measured. noun: the
    word for one trial, where none was. changed: the machine is changed before the next series.
    """
    noun = noun if last is None else method_of(last).noun
    if tolerance is None:
        return _usual(noun, "without a tolerance or a work there is no verdict to plan for")
    found = [] if last is None else _alike(connection, last)
    known = [] if last is None else _known(found, last, tolerance)
    if last is None or not known:
        return _usual(noun, "how much the cuts of this stop scatter is not known yet")
    changes = latest_changes(connection).get(last.machine_id, ())
    needed, seen = max(
        _needed(of, tolerance, changed or any(each.at > of[0].at for each in changes))
        for of in known
    )
    trials = sentences.cuts(seen, noun)
    if needed > _MOST:
        return PlannedStrips(
            None,
            True,
            f"By the latest {trials}, {_MOST} {noun}s would not tell: what they leave uncertain is"
            " more than its distance from the limit. Cut without a planned number; the series says"
            " when it is enough.",
        )
    strips = max(_FEWEST, int(needed))
    return PlannedStrips(
        strips,
        True,
        f"{sentences.cuts(strips, noun)}: by how the latest {trials} scattered, so many tell as a"
        " rule.",
    )


def _usual(noun: str, why: str) -> PlannedStrips:
    return PlannedStrips(USUAL, False, f"{USUAL} {noun}s to begin with: {why}.")


def _alike(connection: Connection, last: Row[Any]) -> list[CheckedSeries]:
    """The series whose trials scatter as those of the next one, the latest first."""
    found = checks.with_ids(connection, like_it(connection, last, FAR_ENOUGH_BACK))
    return [s for s in reversed(found) if s.trials and tell_scatter(s.row, last)]


def _known(
    found: Sequence[CheckedSeries], last: Row[Any], tolerance: Tolerance
) -> list[list[KnownCheck]]:
    """Of each quantity that is judged and whose scatter is known, what each series says."""
    each = [
        [k for s in found if (k := known_of(s, quantity)) is not None]
        for quantity in method_of(last).reveals
        if (quantity == "length") == (tolerance.unit == "mm")
    ]
    return [known for known in each if any(k.check.sd is not None for k in known)]


def _needed(known: Sequence[KnownCheck], tolerance: Tolerance, moved: bool) -> tuple[float, int]:
    """How many trials tell, inf where no number does, and from how many the scatter is known."""
    told = [(k.check.trials, k.check.sd) for k in known if k.check.sd is not None]
    scatter = earlier_scatter(islice(told, _FOR_SCATTER), day(known[-1].at))
    assert scatter is not None
    left = _left(known[0], (tolerance.high - tolerance.low) / 2, moved)
    if left <= 0:
        return math.inf, scatter.trials
    needed = planning.cuts_needed(left / scatter.sd) if scatter.sd > 0 else _FEWEST
    return needed or math.inf, scatter.trials


def _left(latest: KnownCheck, half: float, moved: bool) -> float:
    """How far from the limit the next series is expected at least, as far as the latest one knows
    that, less what no number of trials tells."""
    left = abs(half - (0.0 if moved else abs(latest.off)))
    return left - latest.check.anew_u - latest.check.seen.shared
