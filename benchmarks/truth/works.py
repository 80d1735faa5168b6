"""Works: whether what is made succeeds as often as the program says before it is cut."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.score import score
from analysis.systematic import fixed_u
from analysis.visits import returns, visit_means
from analysis.works.assemblies import Assembly, Cut, frame, joints, shelves
from analysis.works.chances import likely
from analysis.works.known import KnownLength, KnownStop
from benchmarks.truth import shop
from benchmarks.truth.rows import Bound, Row

Array = NDArray[np.float64]

_VISITS: Final = 4
_DRAWS: Final = 500
_TRIALS: Final = 5
_SAID: Final = (0.0, 0.5, 0.8, 0.95, 1.01)
_FEWEST: Final = 20
_ENDS: Final = (Cut(0), Cut(0))
_WORKS: Final[tuple[tuple[str, Assembly, float], ...]] = (
    ("six joints", joints([(150.0, (Cut(0),), 6)]), 0.35),
    ("a frame", frame([400.0, 300.0] * 2, 70.0, _ENDS, 0), 0.35),
    ("four shelves", shelves(4, 600.0, 250.0, _ENDS, 0), 0.7),
)


def rows(rng: np.random.Generator, short: bool) -> Iterator[Row]:
    """Saws measured by one series each, then the work cut on them."""
    runs = 150 if short else 2000
    # Nothing is taken as known of a saw before it is measured: what is said holds about as often
    # among saws of any scatter, and rather more often among saws that are much alike.
    for spread, among, bound in ((4.0, "of any scatter", "about"), (0.3, "alike", "at least")):
        angle = np.radians(rng.normal(0, 0.05 * spread, runs))
        cut_sd = np.radians(0.008 * np.exp(rng.uniform(-spread, spread, runs)))
        length_sd = 0.05 * np.exp(rng.uniform(-spread, spread, runs))
        known = _measured(rng, angle, cut_sd, length_sd, _TRIALS)
        for called, work, usual_gap in _WORKS:
            gap = usual_gap * np.exp(rng.normal(0, 0.4, runs))
            said = np.array(
                [
                    likely(work, [known[i]], [gap[i]] * len(work.joints), rng, _DRAWS)
                    for i in range(runs)
                ]
            )
            shape = (runs, len(work.cuts)), (runs, len(work.cut_to))
            errors = angle[:, None] + cut_sd[:, None] * rng.standard_normal(shape[0])
            off = length_sd[:, None] * rng.standard_normal(shape[1])
            kept = work.gaps(errors, off).max(1) <= gap
            ground = f"{called}, cut on saws {among} after {_TRIALS} strips"
            yield from _held(said, kept, ground, "at least" if bound == "at least" else "about")
    yield from _swung(rng, runs)


def _held(said: Array, kept: NDArray[np.bool_], ground: str, bound: Bound) -> Iterator[Row]:
    for low, high in pairwise(_SAID):
        of = (said >= low) & (said < high)
        if of.sum() < _FEWEST:
            continue
        yield Row(
            f"every joint stays within the accepted gap: {100 * low:.0f} to "
            f"{100 * min(high, 1):.0f} %",
            ground,
            bound,
            float(said[of].mean()),
            int(kept[of].sum()),
            int(of.sum()),
        )


def _swung(rng: np.random.Generator, runs: int) -> Iterator[Row]:
    """A frame whose pieces are cut left and right in turn, on saws whose stops were each measured
    in four visits of two strips."""
    work = frame([400.0, 300.0] * 2, 70.0, (Cut(0), Cut(1)), 0)
    angle = np.radians(rng.normal(0, 0.1, (runs, 2)))
    cut_sd, back_sd = np.radians(0.01 * np.exp(rng.uniform(-5, 5, (2, runs, 2))))
    gap = 0.5 * np.exp(rng.normal(0, 0.4, runs))
    visit = np.repeat(np.arange(_VISITS), 2)
    said = np.empty(runs)
    for i in range(runs):
        known = []
        for s in range(2):
            came = back_sd[i, s] * rng.standard_normal(_VISITS)
            strips = angle[i, s] + came[visit] + cut_sd[i, s] * rng.standard_normal(visit.size)
            known.append(_of_visits(strips, visit))
        gaps = [gap[i]] * len(work.joints)
        said[i] = likely(work, known, gaps, rng, _DRAWS)
    of_cuts = np.array([cut.stop for cut in work.cuts])
    errors = angle[:, of_cuts] + np.hypot(cut_sd, back_sd)[:, of_cuts] * rng.standard_normal(
        (runs, of_cuts.size)
    )
    kept = work.gaps(errors, np.zeros((runs, len(work.cut_to)))).max(1) <= gap
    ground = "a frame cut left and right in turn, on saws of any scatter, 4 visits of 2 strips"
    # Few visits leave open that it returns far worse than they show: what is said is careful.
    yield from _held(said, kept, ground, "at least")


def _of_visits(strips: Array, visit: NDArray[np.int64]) -> KnownStop:
    found = visit_means(strips, np.zeros(strips.size, np.int64), visit, 1)
    sd = float(found.sd[0])
    return KnownStop(
        "Saw",
        float(found.mean[0]),
        sd / math.sqrt(_VISITS),
        0.0,
        float(found.within[0]),
        int(found.within_df[0]),
        returned=returns([found]),
        mean_df=_VISITS - 1,
        swung=True,
    )


def _measured(
    rng: np.random.Generator,
    angle: shop.Array,
    cut_sd: shop.Array,
    length_sd: shop.Array,
    trials: int,
) -> list[KnownStop]:
    """What one series by reversal and one by stop block say of each saw."""
    runs = len(angle)
    # A caliper that adds nothing: what it adds to the scatter is told elsewhere.
    caliper = shop.Caliper(step_nm=1_000, hand_mm=0.001)
    played = shop.play(
        rng, "reversal", shop.Saw(angle, cut_sd), caliper, series=runs, trials=trials
    )
    lengths = shop.play(
        rng, "stop-block", shop.Saw(length_sd=length_sd), caliper, series=runs, trials=trials
    )
    found = []
    for i in range(runs):
        facts = played.facts(i)
        told = score(facts).quantities["angle"]
        of_length = score(lengths.facts(i)).quantities["length"]
        assert told.mean is not None
        assert told.sd is not None
        assert told.budget is not None
        assert of_length.sd is not None
        fixed = fixed_u(told.budget)
        found.append(
            KnownStop(
                "Saw",
                told.mean,
                math.sqrt(max(told.budget.combined**2 - fixed**2, 0.0)),
                fixed,
                told.sd,
                trials - 1,
                share=facts.method.cut_share(),
                length=KnownLength(of_length.sd, trials - 1),
            )
        )
    return found
