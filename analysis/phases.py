"""A machine's checks in phases between setup changes: what is usual, and what changed.

Within a phase a stable machine shows only scatter. `changes` judges each look; here one look
follows the other, and what they tell is put into words.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis import changes
from analysis.changes import LIMITS, Looks, Measured
from analysis.conversions import SizeUnit, size_text
from analysis.fitting import Fitted, Span

Array = NDArray[np.float64]

_FEWEST_FOR_LIMITS: Final = 5
"""With fewer checks the limits are so wide that they mean nothing."""
_BLOCK: Final = 48
"""Looks that are computed together, since a change starts the later ones again."""


@dataclass(frozen=True, slots=True, eq=False)
class Checks:
    """n checks of one quantity, the oldest first, in radians or mm; arrays of shape (n,).

    trials: how many each is the mean of; sd: of one trial, nan with fewer than two. alone: the
    standard uncertainty of the check without the errors that it shares with others, `shared`,
    which are the same for all checks of the same `group` (one caliper, one board). rounding: of
    the check by the caliper's count, where it does not average out. per_reading: the
    quantity for independent errors of 1 mm in the readings of a trial.
    """

    values: Array
    trials: NDArray[np.int64]
    sd: Array
    alone: Array
    rounding: Array
    per_reading: Array
    shared: Array
    group: Sequence[object]

    def part(self, start: int, stop: int) -> Checks:
        """The checks `start` to `stop` (exclusive)."""
        s = slice(start, stop)
        return Checks(
            self.values[s],
            self.trials[s],
            self.sd[s],
            self.alone[s],
            self.rounding[s],
            self.per_reading[s],
            self.shared[s],
            self.group[s],
        )


@dataclass(frozen=True, slots=True)
class Change(Fitted):
    """A lasting change between checks, by their places in the whole history, and in words."""

    sentence: str


@dataclass(frozen=True, slots=True)
class Phase:
    """Checks `start` to `stop` (exclusive), between two setup changes.

    since: the first check after the last lasting change in the phase, its own first without one.
    centre: the weighted mean since then; sigma: the scatter of one check of usual uncertainty
    about it, `between` the part of it that is none of the check's own. lower, upper: the next
    check is told as outside beyond them; None with fewer than five checks. expected: the same for
    each check of the phase, from those before it. out: the checks that were outside. All places
    count in the whole history.
    """

    start: int
    stop: int
    since: int
    checks: int
    centre: float | None
    sigma: float | None
    between: float | None
    lower: float | None
    upper: float | None
    expected: tuple[tuple[float, float] | None, ...]
    out: tuple[int, ...]
    changes: tuple[Change, ...]
    sentence: str


def phase_by_phase(
    checks: Checks,
    *,
    setup_changes: Sequence[int] = (),
    labels: Sequence[str] | None = None,
    unit: SizeUnit = "rad",
) -> tuple[Phase, ...]:
    """Each phase of a history; at least one, the last of them is the present one.

    setup_changes: places in 0..n; a change at place i is before check i. A change after the last
    check starts an empty phase. labels: the name of each check in sentences, (n,).
    Raises ValueError for a setup change outside 0..n or labels of another number.
    """
    n = checks.values.size
    if labels is not None and len(labels) != n:
        raise ValueError(f"give one label for each check: {n} checks, {len(labels)} labels")
    wrong = [c for c in setup_changes if not 0 <= c <= n]
    if wrong:
        raise ValueError(f"a setup change lies at check {wrong[0]}, outside 0 to {n}")
    cuts = sorted({0, *setup_changes, n})
    if n in setup_changes or n == 0:
        cuts.append(n)
    names = [f"series {i + 1}" for i in range(n)] if labels is None else labels
    since = " since the last setup change" if len(cuts) > 2 else ""
    return tuple(
        _phase(checks.part(a, b), a, names, unit, since if k == len(cuts) - 2 else None)
        for k, (a, b) in enumerate(pairwise(cuts))
    )


def _phase(
    checks: Checks, start: int, names: Sequence[str], unit: SizeUnit, since: str | None
) -> Phase:
    """since: the words for the phase's beginning, None for a phase that is over."""
    n = checks.values.size
    if n < 2:
        centre = float(checks.values[0]) if n else None
        nothing = (None,) * n
        sentence = _few(n, since or "")
        return Phase(
            start, start + n, start, n, centre, None, None, None, None, nothing, (), (), sentence
        )
    measured = measured_of(checks)
    walk = _walk(measured)
    told = tuple(_placed(change, start, names, unit) for change in _described(measured, walk))
    out = tuple(start + i for i in walk.out)
    # A check with which a shift begins is told as its beginning.
    begun = {change.index for change in told}
    centre, half, sigma, between = _usual(measured, walk)
    return Phase(
        start,
        start + n,
        start + int(walk.present[0]),
        n,
        centre,
        sigma,
        between,
        None if half is None else centre - half,
        None if half is None else centre + half,
        tuple(walk.expected),
        out,
        told,
        _sentence(checks, told, [names[i] for i in out if i not in begun], since, unit),
    )


def measured_of(checks: Checks) -> Measured:
    """The checks as `changes` takes them, with what was known at the look after each.

    The scatter of a trial is pooled over the checks so far. Where the boards' lengths differ it may
    belong to the cut, the same in radians, or to the readings, the same in mm: the likelier is
    taken (the greater likelihood of the standard deviations). Before any check has two
    trials, `alone` is taken. Two checks that are compared carry the rounding twice.
    """
    x, n = checks.values, checks.values.size
    rounding = np.maximum(math.sqrt(2) * checks.rounding, 1e-12 * np.abs(x).max())
    df = np.where(np.isfinite(checks.sd), checks.trials - 1, 0)
    squares = df * np.where(df > 0, checks.sd, 0.0) ** 2
    free = np.cumsum(df)[:, None]
    found, fits = [], []
    for each in (np.ones(n), np.abs(checks.per_reading)):
        pooled = np.cumsum(squares / each**2)[:, None] / np.maximum(free, 1)
        found.append(pooled * each**2 / checks.trials)
        with np.errstate(divide="ignore", invalid="ignore"):
            fits.append(np.cumsum(df * np.log(each**2))[:, None] + free * np.log(pooled))
    variances = np.where(fits[1] < fits[0], found[1], found[0])
    variances = np.where(free > 0, variances, checks.alone**2)
    groups: list[Array] = []
    for group in dict.fromkeys(checks.group):
        of = np.array([g == group for g in checks.group])
        if of.sum() > 1:
            groups.append(np.where(of, checks.shared, 0.0))
        else:
            variances = variances + np.where(of, checks.shared, 0.0) ** 2
    variances = np.maximum(variances, rounding**2)
    return Measured(x, variances, rounding, np.array(groups).reshape(len(groups), n))


@dataclass(slots=True)
class _Walk:
    """expected: of each check. out: the checks outside; aside: those of them that count for nothing
    after. began: the first check of each state after the first; told_at: the look that
    told it. present: the checks of the last state, and what the last look shows of them."""

    expected: list[tuple[float, float] | None]
    out: list[int]
    aside: set[int]
    began: list[int]
    told_at: list[int]
    present: NDArray[np.int64]
    last: Looks


def _walk(measured: Measured) -> _Walk:
    """One look after the other; a new state begins where a lasting change is told.

    A check outside counts at the next look, which tells whether a lasting shift began with it;
    if not, it is left out from then on.
    """
    n = measured.values.size
    order = np.arange(n)
    walk = _Walk([None] * n, [], set(), [], [], order, changes.looks(measured.part(order, 1)))
    look = 1
    while look < order.size:
        # The look before says what was expected of the first check of the block.
        seen = order[: look + _BLOCK]
        part = measured.part(seen, seen.size - look + 1)
        found = changes.looks(part)
        alarms = np.flatnonzero(found.told()[1:])
        at = 1 + int(alarms[0]) if alarms.size else found.mean.size - 1
        _expect(walk, part, found, seen, range(1, at + 1))
        if not alarms.size:
            look = seen.size
            continue
        kind = _kind(found, at, tuple(LIMITS))
        if kind == "outside":
            walk.out.append(int(seen[look - 1 + at]))
            if look + at == order.size:
                break
            order, look = _after_outside(measured, walk, order, look - 1 + at)
        elif kind is not None:
            order, look = _begin(walk, found, order, kind, look - 1 + at, at)
    walk.present, walk.last = order, changes.looks(measured.part(order, 1))
    return walk


def _after_outside(
    measured: Measured, walk: _Walk, order: NDArray[np.int64], place: int
) -> tuple[NDArray[np.int64], int]:
    """The checks that count after one outside at `place` of them, and the look to go on with."""
    seen = order[: place + 2]
    part = measured.part(seen, 2)
    found = changes.looks(part)
    kind = _kind(found, 1, ("shift", "creep"))
    if kind is None:
        walk.aside.add(int(order[place]))
        return np.delete(order, place), place
    _expect(walk, part, found, seen, range(1, 2))
    return _begin(walk, found, order, kind, place + 1, 1)


def _begin(
    walk: _Walk,
    found: Looks,
    order: NDArray[np.int64],
    kind: changes.Kind,
    place: int,
    row: int,
) -> tuple[NDArray[np.int64], int]:
    """The checks of the state that the look after the check at `place` tells, and the next look."""
    begins = int(found.place[kind][row]) + (kind == "creep")
    walk.began.append(int(order[begins]))
    walk.told_at.append(int(order[place]))
    # After a creep the machine is where it has come to.
    first = begins if kind == "shift" else place
    return order[first:], place - first + 1


def _kind(found: Looks, row: int, kinds: tuple[changes.Kind, ...]) -> changes.Kind | None:
    """What the look tells most clearly, None for nothing of these kinds."""
    clear = {kind: float(found.z[kind][row]) - LIMITS[kind] for kind in kinds}
    best = max(kinds, key=clear.__getitem__)
    return best if clear[best] > 0 else None


def _expect(
    walk: _Walk, part: Measured, found: Looks, seen: NDArray[np.int64], rows: range
) -> None:
    """Note what was expected of the check of each look in `rows`."""
    offset = seen.size - found.mean.size
    for row in rows:
        place = offset + row
        if place < changes.FEWEST - 1:
            continue
        own, shared = part.variances[row, place], part.shared[:, place]
        half = changes.outside_factor(place - 1) * float(found.expected_u(row - 1, own, shared))
        centre = float(found.mean[row - 1])
        walk.expected[int(seen[place])] = (centre - half, centre + half)


def _usual(
    measured: Measured, walk: _Walk
) -> tuple[float, float | None, float | None, float | None]:
    """Of the present state: its mean, the half width for a check of usual uncertainty, its
    standard deviation and the part of it between checks."""
    part, found = measured.part(walk.present, 1), walk.last
    n = walk.present.size
    centre = float(found.mean[-1])
    if n < 2:
        return centre, None, None, None
    own = float(np.median(part.variances[-1]))
    u = float(found.expected_u(-1, own, found.shared[:, -1]))
    half = changes.outside_factor(n - 1) * u if n >= _FEWEST_FOR_LIMITS else None
    between = float(changes.between_variance(part.values, part.variances[-1], np.ones(n)))
    return centre, half, math.sqrt(own + between), math.sqrt(between)


def _described(measured: Measured, walk: _Walk) -> list[Fitted]:
    """What was told, as all checks until now show it: how it looked when it was told (a shift, for
    most that creeps) need not be how it looks since. Changes that follow each other the same
    way are one creep where that fits as well."""
    n = measured.values.size
    between = float(walk.last.between[-1])
    weights = 1 / (measured.variances[-1] + between)
    least = float((weights * measured.rounding**2).mean())
    kept = np.array([i for i in range(n) if i not in walk.aside])
    ends = [0, *walk.began, n]
    levels = [_mean(measured.values, weights, kept, a, b) for a, b in pairwise(ends)]
    ways = [math.copysign(1, b - a) for a, b in pairwise(levels)]
    found: list[Fitted] = []
    k = 0
    while k < len(ways):
        more = next((j for j in range(k, len(ways)) if ways[j] != ways[k]), len(ways))
        places = kept[(kept >= ends[k]) & (kept < ends[more + 1])]
        span = Span(places, measured.values[places], weights[places], least)
        creep = span.creep(walk.began[k:more], walk.told_at[k])
        if creep is not None:
            found.append(creep)
        else:
            for j in range(k, more):
                places = kept[(kept >= ends[j]) & (kept < ends[j + 2])]
                span = Span(places, measured.values[places], weights[places], least)
                found.append(span.shift(walk.told_at[j]))
        k = more
    return found


def _mean(values: Array, weights: Array, kept: NDArray[np.int64], start: int, stop: int) -> float:
    of = kept[(kept >= start) & (kept < stop)]
    return float(np.average(values[of], weights=weights[of]))


# ---------------------------------------------------------------- in words


def _placed(of: Fitted, start: int, names: Sequence[str], unit: SizeUnit) -> Change:
    index, first, last = start + of.index, start + of.first, start + of.last
    size = size_text(of.after - of.before, unit)
    if of.kind == "creep":
        sentence = f"The series crept by about {size} from {names[first]} to {names[last]}."
    else:
        when = names[index]
        if first != last:
            when += f" (between {names[first]} and {names[last]})"
        sentence = f"A lasting shift of about {size} began most likely with the series of {when}."
    return Change(
        of.kind, index, first, last, of.before, of.after, start + of.told_at, of.p, sentence
    )


def _few(n: int, since: str) -> str:
    if n == 0:
        return f"No series yet{since}."
    few = f"{n} series"
    return f"Only {few}{since}: a change can show from {changes.FEWEST} on."


def _sentence(
    checks: Checks, told: Sequence[Change], out: Sequence[str], since: str | None, unit: SizeUnit
) -> str:
    n, present, since = checks.values.size, since is not None, since or ""
    if n < changes.FEWEST:
        return _few(n, since)
    found = [change.sentence for change in told]
    if present and told and told[-1].kind == "creep":
        found.append("Something wears or works loose: check it again soon.")
    if out:
        found.append(f"Outside what the series before led to expect: {', '.join(out)}.")
    if found:
        return " ".join(found)
    mean = float(checks.values.mean())
    furthest = float(np.abs(checks.values - mean).max())
    if furthest <= 1e-9 * max(abs(mean), float(checks.rounding.max())):
        return f"No change shows{since}: all {n} series are alike to the caliper's last digit."
    return (
        f"No change shows{since}: {n} series, all within {size_text(furthest, unit, furthest)} "
        "of their mean."
    )
