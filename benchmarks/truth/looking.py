"""A person looks after every strip and stops at the first verdict, or has one strip only."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis import geometry
from analysis.checks import checks
from analysis.conformity import ADJUST, GOOD, UNKNOWN, Tolerance, Verdict
from analysis.doubts import Elsewhere
from analysis.facts import SeriesFacts
from analysis.judging import Seen, judged
from analysis.sequential import EarlierScatter, earlier_scatter
from analysis.uncertainty import coverage_factor
from api.answers.findings import doubted, trend
from benchmarks.truth.rows import Row
from benchmarks.truth.shop import Board, Caliper, Played, Saw, play

_MOST: Final = 12
_LENGTH_MM: Final = 200.0
# Limit and true value are given in standard deviations of a trial.
_LIMIT: Final = 4.0

_GROUNDS: Final = (
    ("saw 0.02 degrees, hand 0.005 mm", 0.02, 0.005),
    ("saw 0.01 degrees, hand 0.02 mm", 0.01, 0.02),
    ("still saw, hand 0.02 mm", 0.0, 0.02),
    ("still saw, hand 0.05 mm where 0.02 is assumed", 0.0, 0.05),
)


def _trial_sd(cut_deg: float, hand_mm: float) -> float:
    """Of a reversal, in radians: two cuts and two readings."""
    return math.hypot(math.radians(cut_deg) / math.sqrt(2), hand_mm / (math.sqrt(2) * _LENGTH_MM))


def _played(
    rng: np.random.Generator, cut_deg: float, hand_mm: float, angle: float, series: int, trials: int
) -> Played:
    return play(
        rng,
        "reversal",
        Saw(angle, math.radians(cut_deg)),
        Caliper(hand_mm=hand_mm),
        Board(_LENGTH_MM),
        series=series,
        trials=trials,
    )


def _first(
    played: Played,
    limit: float,
    earlier: list[EarlierScatter | None] | None = None,
    most: int = _MOST,
) -> tuple[list[Verdict], NDArray[np.int64]]:
    """Of each series the first verdict that is told, and after how many strips."""
    facts = _facts(played, limit)
    series, trials = played.counts_nm.shape[:2]
    method, tolerance = facts.method, facts.tolerance
    found = geometry.series_values(method, played.widths_mm.reshape(-1, 2, 1), _LENGTH_MM)
    values = found.of("angle").reshape(series, trials)
    first: list[Verdict] = [UNKNOWN] * series
    when = np.full(series, most + 1)
    for n in range(1, most + 1):
        of = np.repeat(np.arange(series), n)
        said = checks(method, "angle", values[:, :n].ravel(), of, [facts] * series)
        for i in np.flatnonzero(when > most):
            seen = Seen(
                n, n, float(said.mean[i]), None if n < 2 else float(said.sd[i]),
                float(said.expanded[i]), float(said.shared[i]),
            )  # fmt: skip
            verdict = judged(seen, tolerance, earlier=earlier[i] if earlier else None).verdict
            if verdict is not None and verdict != UNKNOWN:
                first[i], when[i] = verdict, n
    return first, when


def _facts(played: Played, limit: float) -> SeriesFacts:
    return played.facts(
        0, tolerance=Tolerance.angle(limit), baseline_u_mm=0.05, inset_u_mm=0.05, jaw_width_mm=0.0
    )


def _looks(rng: np.random.Generator, runs: int) -> Iterator[Row]:
    for words, cut, hand in _GROUNDS:
        sd = _trial_sd(cut, hand)
        limit = _LIMIT * sd
        ground = f"a look after each of {_MOST} strips; {words}"
        first, _ = _first(_played(rng, cut, hand, limit, runs, _MOST), limit)
        for verdict in (GOOD, ADJUST):
            yield Row(
                f'"{verdict}" at the first verdict, where it is wrong',
                f"true value on the limit; {ground}",
                "at most",
                0.025,
                first.count(verdict),
                runs,
            )
        if "assumed" in words:
            continue
        for effect, within in ((3, 4), (2, 6)):
            for side, verdict in ((-1, GOOD), (1, ADJUST)):
                angle = limit + side * effect * sd
                told, when = _first(_played(rng, cut, hand, angle, runs, _MOST), limit)
                right = np.array([v == verdict for v in told])
                yield Row(
                    f'"{verdict}" is told within {within} strips',
                    f"true value {effect} standard deviations from the limit; {ground}",
                    "at least",
                    0.5,
                    int((right & (when <= within)).sum()),
                    runs,
                )


def _one_strip(rng: np.random.Generator, runs: int) -> Iterator[Row]:
    """One strip, judged by the scatter of three earlier series of five."""
    sd = _trial_sd(0.02, 0.005)
    limit = 7 * sd
    for words, spread in (("", 0.0), (" that differ by a factor of 1.5", math.log(1.5))):
        scatter = 0.02 * np.exp(spread * rng.standard_normal((runs, 4)))
        then = []
        for k in range(3):
            before = _scattering(rng, scatter[:, k], 0.0, runs, 5)
            angles = geometry.series_values(
                _facts(before, limit).method, before.widths_mm.reshape(-1, 2, 1), _LENGTH_MM
            ).of("angle")
            then.append(angles.reshape(runs, 5).std(axis=1, ddof=1))
        earlier = [earlier_scatter([(5, s[i]) for s in then], "then") for i in range(runs)]
        for angle, verdict, bound, claimed in (
            (limit, GOOD, "at most", 0.025),
            (limit, ADJUST, "at most", 0.025),
            (0.0, GOOD, "at least", 0.5),
        ):
            now = _scattering(rng, scatter[:, 3], angle, runs, 1)
            told, _ = _first(now, limit, earlier, most=1)
            at = "on the limit" if angle else "nominal, 7 standard deviations inside"
            yield Row(
                f'"{verdict}" from one strip',
                f"true value {at}; scatter by three earlier series of five{words}",
                "at most" if bound == "at most" else "at least",
                claimed,
                told.count(verdict),
                runs,
            )
    alone, _ = _first(_played(rng, 0.02, 0.005, 3 * limit, runs, 1), limit, most=1)
    yield Row(
        '"needs adjusting" from one strip without earlier series',
        "true value three times the limit",
        "at most",
        0.0,
        alone.count(ADJUST),
        runs,
    )


def _scattering(
    rng: np.random.Generator, cut_deg: NDArray[np.float64], angle: float, runs: int, trials: int
) -> Played:
    return play(
        rng,
        "reversal",
        Saw(angle, np.radians(cut_deg)),
        Caliper(hand_mm=0.005),
        Board(_LENGTH_MM),
        series=runs,
        trials=trials,
    )


def _doubts(rng: np.random.Generator, runs: int) -> Iterator[Row]:
    for method, saw, caliper, words in (
        ("reversal", Saw(0.0005, 3e-4), Caliper(hand_mm=0.01), "saw 0.017 degrees, hand 0.01 mm"),
        ("reversal", Saw(0.002, 3e-4), Caliper(hand_mm=0.01), "the same, 0.11 degrees off"),
        ("reversal", Saw(), Caliper(hand_mm=0.02), "still saw, hand 0.02 mm"),
        ("roll", Saw(0.0005, 3e-4, 0.0, 3e-4), Caliper(hand_mm=0.01), "saw 0.017 degrees"),
        ("stop-block", Saw(length_sd=0.03), Caliper(hand_mm=0.01), "stop 0.03 mm"),
    ):
        played = play(rng, method, saw, caliper, Board(_LENGTH_MM), series=runs, trials=_MOST)
        doubtful = sum(_any_doubt(played, i) for i in range(runs))
        yield Row(
            "any doubt about an honest series",
            f"a look after each of {_MOST} trials of {method}; {words}",
            "at most",
            0.05,
            doubtful,
            runs,
        )


def _known(rng: np.random.Generator, runs: int) -> Iterator[Row]:
    """An earlier series of the same saw is known, as the program takes it for what was found."""
    saw = Saw(np.radians(rng.normal(0, 0.15, runs)), 3e-4)
    caliper, board = Caliper(hand_mm=0.01), Board(_LENGTH_MM)
    for before in (3, 8):
        earlier, played = (
            play(rng, "reversal", saw, caliper, board, series=runs, trials=n)
            for n in (before, _MOST)
        )
        doubtful = sum(_any_doubt(played, i, _found(earlier, i)) for i in range(runs))
        yield Row(
            "any doubt about an honest series, a wrong turn included",
            f"a look after each of {_MOST} strips of reversal; {before} strips of the same saw,"
            " 0.15 degrees off, before",
            "at most",
            0.05,
            doubtful,
            runs,
        )
        yield _near_zero(rng, before, runs)


def _near_zero(rng: np.random.Generator, before: int, runs: int) -> Row:
    """The board is turned half around instead of over: such strips show nothing of the angle."""
    off = np.radians(0.05) * rng.choice([-1, 1], runs)
    caliper, board = Caliper(hand_mm=0.01), Board(_LENGTH_MM)
    earlier, played = (
        play(rng, "reversal", Saw(angle, 1e-4), caliper, board, series=runs, trials=n)
        for angle, n in ((off, before), (0.0, 4))
    )
    told = sum(
        any(each.doubt.kind == "wrong turn" for each in doubted(
            played.facts(i), range(1, 5), _found(earlier, i)
        ))
        for i in range(runs)
    )  # fmt: skip
    return Row(
        "every strip reads near zero, where it does",
        f"4 strips of a saw that scatters by 0.1 mrad; {before} strips before were 0.05 degrees"
        " off",
        "at least",
        0.8,
        told,
        runs,
    )


def _found(earlier: Played, i: int) -> Elsewhere:
    facts = earlier.facts(i)
    check = checks(
        facts.method, "angle", facts.values().of("angle"), np.zeros(len(facts.widths_mm), int),
        [facts],
    )  # fmt: skip
    u = float(check.expanded[0]) / coverage_factor(math.inf)
    return Elsewhere(float(check.mean[0]), lambda: u)


def _any_doubt(played: Played, i: int, elsewhere: Elsewhere | None = None) -> bool:
    whole = played.facts(i)
    widths = np.asarray(whole.widths_mm)
    for n in range(2, _MOST + 1):
        facts = dataclasses.replace(whole, widths_mm=widths[:n])
        doubts = doubted(facts, range(1, n + 1), elsewhere)
        if doubts or any(t.shown for t in trend(facts).values()):
            return True
    return False


_PARTS: Final[tuple[tuple[Callable[[np.random.Generator, int], Iterator[Row]], int], ...]] = (
    (_looks, 4000),
    (_one_strip, 4000),
    (_doubts, 400),
    (_known, 1000),
)


def rows(rng: np.random.Generator, short: bool) -> Iterator[Row]:
    for part, runs in _PARTS:
        yield from part(rng, runs // 10 if short else runs)
