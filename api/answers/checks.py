"""Many series at once, each with what its trials say: a machine's whole history in two queries.

Scoring each series by itself would load every reading. The trials' stored values are enough for
means and uncertainties; readings are loaded only where the caliper's rounding matters.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Collection, Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from operator import attrgetter
from typing import Any, Final
from uuid import UUID

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, Row

from analysis.checks import checks
from analysis.conformity import Tolerance, Verdict
from analysis.counts import each_varies
from analysis.facts import SeriesFacts
from analysis.judging import Judged, Seen, judged
from analysis.methods import METHODS, Quantity
from analysis.sequential import EarlierScatter
from analysis.systematic import Systematic
from analysis.units import NM_PER_MM, Unit
from analysis.visits import VisitMeans
from api.answers.scatter_before import (
    FAR_ENOUGH_BACK,
    pooled_scatter,
    scatter_before,
    tell_scatter,
)
from api.answers.studies import STUDY_METHODS, Readings, Study, study_from
from api.store.facts import facts_of, resolution_mm
from api.store.rows import checks as stored
from api.store.rows.machines import setup_changes
from api.store.rows.studies import study_readings
from api.store.stamps import now
from api.store.tables import texts_read

# The coarsest count of a common caliper, 0.001 in. Common practice, no source.
_COARSE_MM: Final = 0.0254
STUDIES: Final = tuple(m.key for m in METHODS.values() if m.judges != "machine")
"""The methods that study a caliper. The user's own always judge machines."""
_COLUMN: Final[dict[Quantity, str]] = {
    "angle": "angle_deg",
    "tilt": "tilt_deg",
    "length": "length_mm",
}


@dataclass(frozen=True, slots=True)
class Check:
    """What one series says of one quantity, radians or mm. sd: None with fewer than two trials.

    step: the smallest step of the mean that the caliper's count allows. anew_u: the part of u
    that each series has anew, with anew_df degrees of freedom. rounding_u, per_reading: as in
    `analysis.checks.Checks`. judged: the verdict on what was `seen`, and the rule that it follows.
    fixed: the rest of u by source, signed. visits: None where there was one.
    """

    fixed: Mapping[str, float]
    quantity: Quantity
    trials: int
    mean: float
    sd: float | None
    u: float
    df: float
    coverage_factor: float
    expanded: float
    tolerance: Tolerance | None
    seen: Seen
    judged: Judged
    step: float
    anew_u: float
    anew_df: float
    rounding_u: float
    per_reading: float
    visits: VisitMeans | None = None

    @property
    def verdict(self) -> Verdict | None:
        return self.judged.verdict


@dataclass(frozen=True, slots=True)
class CheckedSeries:
    """A series (its row has the columns of `tables.Series` and the machine's name and kind),
    how many of its trials are complete, and what they say of the machine."""

    row: Row[Any]
    facts: SeriesFacts
    trials: int
    calipers: tuple[str, ...]
    checks: Mapping[Quantity, Check]

    @property
    def id(self) -> UUID:
        found: UUID = self.row.id
        return found

    def systematic(self, quantity: Quantity) -> Systematic:
        """What more trials would not reduce in the mean, radians or mm."""
        check = self.checks[quantity]
        return Systematic(check.fixed, one_caliper(self.calipers), board_of(self.row))


def one_caliper(calipers: Collection[str]) -> str | None:
    """The one that read a series; None where there were several, or none."""
    return next(iter(calipers)) if len(calipers) == 1 else None


def board_of(row: Row[Any]) -> Hashable:
    """The same for series of one day whose lengths are stated alike: they were cut from one board.
    Of another day it may be one of the same nominal size."""
    day = row.started_at.astimezone().date()
    return (day, row.baseline_nm, row.thickness_nm, row.inset_nm)


def of_machine(connection: Connection, machine_id: UUID) -> list[CheckedSeries]:
    """All series of a machine, the oldest first; a caliper's study has no checks."""
    found = _checked(connection, stored.of_machine(machine_id))
    return _judged_by_earlier(found, _among(found, setup_changes(connection, machine_id)))


def of_series(connection: Connection, series_id: UUID) -> CheckedSeries | None:
    """One series in the same shape."""
    return next(iter(with_ids(connection, [series_id])), None)


def with_ids(connection: Connection, series: Sequence[UUID]) -> list[CheckedSeries]:
    """Those of `series` that exist, the oldest first."""
    found = _checked(connection, stored.with_ids(series))
    return _judged_by_earlier(found, _stored_before(connection))


def latest(connection: Connection) -> list[CheckedSeries]:
    """Of each stop, method and side of the strip the latest series with a complete trial,
    the oldest first."""
    return with_ids(connection, stored.latest(connection, but=STUDIES))


_Earlier = Callable[[Sequence[CheckedSeries]], Sequence[Mapping[Quantity, EarlierScatter]]]


def _judged_by_earlier(found: list[CheckedSeries], earlier: _Earlier) -> list[CheckedSeries]:
    """The same, where a series' own trials do not tell, judged with the scatter of earlier ones."""
    asking = [s for s in found if _asks_earlier(s)]
    told = dict(zip([s.id for s in asking], earlier(asking), strict=True))
    return [_with_earlier(s, told[s.id]) if s.id in told else s for s in found]


def _asks_earlier(series: CheckedSeries) -> bool:
    return any(check.judged.asks_earlier for check in series.checks.values())


def _with_earlier(
    series: CheckedSeries, earlier: Mapping[Quantity, EarlierScatter]
) -> CheckedSeries:
    facts, checks = series.facts, dict(series.checks)
    for quantity, scatter in earlier.items():
        if (check := checks.get(quantity)) is not None:
            verdict = judged(check.seen, check.tolerance, facts.planned, facts.ended, scatter)
            checks[quantity] = replace(check, judged=verdict)
    return replace(series, checks=checks)


def _stored_before(connection: Connection) -> _Earlier:
    return lambda asking: scatter_before(connection, [(s.row, s.calipers) for s in asking])


def _among(found: Sequence[CheckedSeries], changes: Sequence[Row[Any]]) -> _Earlier:
    """What of one machine's series, the oldest first, tells the scatter of a later one."""
    alike: dict[tuple[UUID, str, str], list[CheckedSeries]] = defaultdict(list)
    for series in found:
        alike[_alike(series.row)].append(series)
    place = {s.id: i for of in alike.values() for i, s in enumerate(of)}
    at = [change.at for change in changes]

    def earlier(series: CheckedSeries) -> Mapping[Quantity, EarlierScatter]:
        row = series.row
        changed = bisect_right(at, row.started_at)
        since = at[changed - 1] if changed else None
        before = alike[_alike(row)][: place[series.id]][: -FAR_ENOUGH_BACK - 1 : -1]
        return pooled_scatter(
            (
                other.row,
                {q: (c.trials, c.sd) for q, c in other.checks.items() if c.sd is not None},
            )
            for other in before
            if other.row.started_at < row.started_at
            and (since is None or other.row.started_at >= since)
            and tell_scatter(other.row, row)
            and frozenset(other.calipers) == frozenset(series.calipers)
        )

    return lambda asking: [earlier(series) for series in asking]


def _alike(row: Row[Any]) -> tuple[UUID, str, str]:
    return row.stop_id, row.method, row.strip_side


def _checked(connection: Connection, chosen: stored.Chosen) -> list[CheckedSeries]:
    rows = stored.series(connection, chosen)
    if not rows:
        return []
    trials = _Trials.read(connection, chosen, {row.key: i for i, row in enumerate(rows)})
    studies = studies_of(connection, rows, trials.calipers)
    known: _Known = {}
    usual = resolution_mm(())
    facts = [_facts(known, row, usual, study) for row, study in zip(rows, studies, strict=True)]
    # Judged without the readings' texts, which only a series needs in which the count may matter.
    vary = trials.vary(np.maximum(trials.divisor_mm, _COARSE_MM))
    rounding = [i for i, n in enumerate(trials.count) if n == 1 or (n > 1 and not vary[i])]
    if rounding:
        sent = _sent(connection, [rows[i].id for i in rounding])
        for i in rounding:
            facts[i] = _facts(known, rows[i], resolution_mm(sent[rows[i].id]), studies[i])
        vary |= trials.vary(np.array([of.resolution_mm for of in facts]))
    found = _checks(rows, facts, trials, vary)
    return [
        CheckedSeries(
            row, facts[i], trials.count[i], trials.calipers[i], {c.quantity: c for c in found[i]}
        )
        for i, row in enumerate(rows)
    ]


_NO_WIDTHS: Final = np.empty(0)
_NO_STUDY: Final = Study()


_Known = dict[tuple[Any, ...], SeriesFacts]
# The columns from which a series' facts are made. The meaning of a method's key never changes.
_settings: Final = attrgetter(
    "method", "unit", "baseline_nm", "thickness_nm", "inset_nm", "strip_side", "pieces",
    "tolerance_deg", "tolerance_gap", "tolerance_joint", "tolerance_length", "tolerance_nominal",
    "baseline_within", "inset_within", "straightness", "thickness_within", "jaw_width_nm",
    "strips", "nominal_deg", "bevel_deg",
)  # fmt: skip


def _facts(known: _Known, row: Row[Any], resolution: float, study: Study) -> SeriesFacts:
    """The facts of a series, which most series of a machine share; `known` holds those made."""
    key = (*_settings(row), row.finished_at is None, resolution, id(study))
    facts = known.get(key)
    if facts is None:
        facts = facts_of(row, _NO_WIDTHS, resolution)
        facts = known[key] = facts if study is _NO_STUDY else study.apply_to(facts)
    return facts


@dataclass(frozen=True, slots=True, eq=False)
class _Trials:
    """The complete trials of m series. of: (n,) the series of each; values: (n,) by quantity.

    visit: (n,) to the stop. readings_mm: all, one trial after the other; sizes: (n,) how many each
    has. By series: count; calipers; divisor_mm, the longest length of which all readings are
    multiples.
    """

    of: NDArray[np.int64]
    values: Mapping[Quantity, NDArray[np.float64]]
    visit: NDArray[np.int64]
    readings_mm: NDArray[np.float64]
    sizes: NDArray[np.int64]
    count: list[int]
    calipers: list[tuple[str, ...]]
    divisor_mm: NDArray[np.float64]

    @staticmethod
    def read(connection: Connection, chosen: stored.Chosen, index: Mapping[Any, int]) -> _Trials:
        rows = stored.complete_trials(connection, chosen)
        m = len(index)
        if not rows:
            empty = np.empty(0)
            return _Trials(
                np.empty(0, np.int64),
                dict.fromkeys(_COLUMN, empty),
                np.empty(0, np.int64),
                empty,
                np.empty(0, np.int64),
                [0] * m,
                [()] * m,
                np.zeros(m),
            )
        key, angle, tilt, length, readings, visit, calipers = zip(*rows, strict=True)
        of = np.array([index[k] for k in key], np.int64)
        named: dict[int, dict[str, None]] = defaultdict(dict)
        for series, written in dict.fromkeys(zip(key, calipers, strict=True)):
            named[index[series]].update(dict.fromkeys(texts_read(written)))
        exact = np.fromiter(map(float, " ".join(readings).split()), float)
        sizes = np.array([text.count(" ") + 1 for text in readings])
        return _Trials(
            of,
            {
                "angle": np.radians(_array(angle)),
                "tilt": np.radians(_array(tilt)),
                "length": _array(length),
            },
            np.array(visit, np.int64),
            exact,
            sizes,
            np.bincount(of, minlength=m).tolist(),
            [tuple(named[i]) for i in range(m)],
            _divisors(exact, sizes, of, m),
        )

    def vary(self, count_mm: NDArray[np.float64]) -> NDArray[np.bool_]:
        """(m,) whether the strips' widths do (`counts.each_varies`), given (m,) counts."""
        m = len(self.count)
        found = np.array(self.count) > 1
        begins = np.cumsum(self.sizes) - self.sizes
        for size in np.unique(self.sizes):
            rows = np.flatnonzero(self.sizes == size)
            widths = self.readings_mm[begins[rows, np.newaxis] + np.arange(size)]
            there = np.bincount(self.of[rows], minlength=m) > 0
            found &= each_varies(widths, self.of[rows], count_mm) | ~there
        return found


def _array(values: Sequence[float | None]) -> NDArray[np.float64]:
    """nan for None."""
    if values.count(None) == len(values):
        return np.full(len(values), np.nan)
    return np.array(values, float)


def studies_of(
    connection: Connection, rows: Sequence[Row[Any]], calipers: Sequence[tuple[str, ...]]
) -> list[Study]:
    """What is known of each series' calipers; nothing for a series that is itself a study.

    It changes when a study begins, and with the month and the person; the readings of studies are
    read once for each set of calipers.
    """
    begun = stored.begun(connection, STUDIES)
    if not begun:
        return [_NO_STUDY] * len(rows)
    moment = now()
    readings: dict[tuple[str, ...], Readings] = {}
    known: dict[tuple[object, ...], Study] = {}
    found = []
    for row, names in zip(rows, calipers, strict=True):
        at = row.finished_at or moment
        key = (names, row.person, bisect_right(begun, at), at.year, at.month)
        if row.method in STUDIES:
            found.append(_NO_STUDY)
            continue
        if key not in known:
            if names not in readings:
                readings[names] = study_readings(connection, names, STUDY_METHODS)
            known[key] = study_from(readings[names], names, at, row.person)
        found.append(known[key])
    return found


def _divisors(
    exact: NDArray[np.float64], sizes: NDArray[np.int64], of: NDArray[np.int64], m: int
) -> NDArray[np.float64]:
    nanometres = np.rint(exact * NM_PER_MM).astype(np.int64)
    # Trials are ordered by series, so the readings of each series are contiguous.
    begins = np.flatnonzero(np.diff(of, prepend=-1))
    first = np.concatenate([[0], np.cumsum(sizes)[:-1]])[begins]
    found = np.zeros(m)
    found[of[begins]] = np.gcd.reduceat(nanometres, first) / NM_PER_MM
    return found


def _checks(
    rows: Sequence[Row[Any]],
    facts: Sequence[SeriesFacts],
    trials: _Trials,
    vary: NDArray[np.bool_],
) -> list[list[Check]]:
    """The checks of each series."""
    found: list[list[Check]] = [[] for _ in rows]
    # A method's relation depends on the nominal angle.
    by_method: dict[tuple[str, str], list[int]] = defaultdict(list)
    for i, row in enumerate(rows):
        if row.method not in STUDIES:
            by_method[row.method, row.nominal_deg].append(i)
    for members in by_method.values():
        method = facts[members[0]].method
        place = np.full(len(rows), -1)
        place[members] = np.arange(len(members))
        mine = place[trials.of] >= 0
        visit = trials.visit[mine]
        for quantity in method.reveals:
            said = checks(
                method,
                quantity,
                trials.values[quantity][mine],
                place[trials.of[mine]],
                [facts[i] for i in members],
                [rows[i].repeats for i in members],
                vary[members],
                visit if (visit != 1).any() else None,
            )
            for i, n, mean, sd, u, df, k, expanded, shared, *rest in zip(
                members,
                *(
                    array.tolist()
                    for array in (
                        said.trials, said.mean, said.sd, said.u, said.df, said.coverage_factor,
                        said.expanded, said.shared, said.step, said.anew_u, said.anew_df,
                        said.rounding_u, said.per_reading,
                    )
                ),
                strict=True,
            ):  # fmt: skip
                if expanded != expanded:  # nan: there is no result
                    continue
                tolerance = facts[i].tolerance
                if tolerance is not None and (tolerance.unit == "mm") != (quantity == "length"):
                    tolerance = None
                fixed = {s: float(by[place[i]]) for s, by in said.fixed.items() if by[place[i]]}
                visits = None if said.by_visit is None else said.by_visit.of(place[i])
                of_visits = () if visits is None else visits.counted()
                seen = Seen(n, n, mean, None if n < 2 else sd, expanded, shared, *of_visits)
                verdict = judged(seen, tolerance, facts[i].planned, facts[i].ended)
                check = Check(
                    fixed,
                    quantity, n, mean, seen.sd, u, df, k, expanded, tolerance, seen,
                    verdict, *rest,
                )  # fmt: skip
                found[i].append(check if visits is None else replace(check, visits=visits))
    return found


def _sent(connection: Connection, series: Sequence[UUID]) -> Mapping[UUID, list[tuple[str, Unit]]]:
    """Texts and units of the readings of complete trials."""
    found: dict[UUID, list[tuple[str, Unit]]] = defaultdict(list)
    for row in stored.sent(connection, series):
        found[row.series_id].append((row.sent, row.unit))
    return found
