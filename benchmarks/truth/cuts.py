"""What is said of single cuts, of the machine's own scatter, and of machines side by side."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
from scipy.special import ndtr

from analysis.advice import AngleEstimate, fence_halves
from analysis.caliper_study import HandStudy, hand_from
from analysis.comparison import TrialParts, Trials, compare
from analysis.comparison_of_many import compare_many
from analysis.methods import METHODS, Side
from analysis.one_trial import reading_part
from analysis.quantiles import chi_square
from analysis.returning import came_back
from analysis.score import QuantityScore, score
from analysis.systematic import Systematic, apart_u, between, systematic
from analysis.uncertainty import rounding
from benchmarks.truth.rows import Row
from benchmarks.truth.shop import Board, Caliper, Played, Saw, play

_NEXT = "the next cut will be between A and B"
_LATER = "95 of 100 later cuts will be between A and B"
_OWN = "the machine's own scatter from cut to cut is A to B, or at most B"
_LOOSE = "the second is less steady than the first"
_SPLIT = "more than caliper and hand explain, of a machine that does not scatter at all"


def scored(played: Played, series: int, **said: Any) -> QuantityScore:
    """The first quantity of one series, by the program's score."""
    facts = played.facts(series, **said)
    return score(facts).quantities[facts.method.reveals[0]]


def _stated_mm(method: str) -> float:
    """The length that is given as the baseline: a frame's joints are short."""
    return 80.0 if method == "closing-miters" else 200.0


def shop_of(
    rng: np.random.Generator,
    method: str,
    cut_sd: float,
    hand_mm: float,
    series: int,
    trials: int,
    **more: Any,
) -> tuple[Played, float]:
    """Series of a saw that is a little off, with lengths stated to +-0.5 mm and jaws placed to
    +-1 mm, and the centre about which its cuts scatter."""
    length = METHODS[method].relations[0].quantity == "length"
    insets = METHODS[method].relations[0].insets
    base = (
        _stated_mm(method)
        + rng.uniform(-0.5, 0.5, series)
        - (2 * rng.uniform(-1.0, 1.0, series) if insets else 0.0)
    )
    centre = 100.0 if length else math.radians(0.3)
    saw = Saw(length_sd=cut_sd) if length else Saw(angle_rad=centre, cut_sd=cut_sd)
    zero = rng.uniform(-0.02, 0.02, series)
    caliper = Caliper(hand_mm=hand_mm, zero_mm=zero, **more)
    played = play(rng, method, saw, caliper, Board(length_mm=base), series=series, trials=trials)
    return played, centre


def single_cuts(
    rng: np.random.Generator,
    method: str,
    cut_sd: float,
    hand_mm: float,
    series: int,
    trials: int,
    **more: Any,
) -> Iterator[Row]:
    """Whether one more cut, and nineteen in twenty of all that come, lie where they are said to."""
    played, centre = shop_of(rng, method, cut_sd, hand_mm, series, trials, **more)
    said = {"baseline_mm": _stated_mm(method)} if METHODS[method].baseline else {}
    one = held = said_of = 0
    for i in range(series):
        found = scored(played, i, **said)
        if found.prediction is None or found.tolerance_interval is None:
            continue
        said_of += 1
        one += rng.normal(centre, cut_sd) in found.prediction
        low, high = found.tolerance_interval.low, found.tolerance_interval.high
        share = ndtr((high - centre) / cut_sd) - ndtr((low - centre) / cut_sd)
        held += bool(share >= 0.95)
    ground = (
        f"{method}, {trials} trials, hand {hand_mm} mm, cuts scatter by {_size(method, cut_sd)}"
    )
    yield Row(_NEXT, ground, "at least", 0.95, one, said_of)
    yield Row(_LATER, ground, "at least", 0.95, held, said_of)


def own_scatter(
    rng: np.random.Generator,
    method: str,
    cut_sd: float,
    hand_mm: float,
    series: int,
    trials: int,
    study: int = 0,
    **more: Any,
) -> Iterator[Row]:
    """Whether the interval holds the scatter of a cut, with a study of so many readings or none."""
    played, _ = shop_of(rng, method, cut_sd, hand_mm, series, trials, **more)
    held = said_of = blamed = 0
    for i in range(series):
        found = scored(played, i, **(studied(rng, hand_mm, study, **more) if study else {}))
        if found.own_scatter is None:
            continue
        said_of += 1
        held += cut_sd in found.own_scatter.interval
        blamed += not found.own_scatter.hidden
    by = f"a study of {study} readings" if study else "no study"
    ground = f"{method}, {trials} trials, hand {hand_mm} mm, {by}"
    if cut_sd:
        ground += f", cuts scatter by {_size(method, cut_sd)}"
        yield Row(_OWN, ground, "at least", 0.95, held, said_of)
    else:
        yield Row(_SPLIT, ground, "at most", 0.05, blamed, said_of)


def studied(
    rng: np.random.Generator, hand_mm: float, readings: int, step_nm: float = 10_000
) -> dict[str, float]:
    """What a same-spot series gives the program."""
    step = step_nm / 1e6
    spot = rng.uniform(9, 10)
    shown = np.rint((spot + hand_mm * rng.standard_normal(readings)) / step) * step
    # Readings all alike hide a hand that is steadier than the rounding.
    sd = max(float(shown.std(ddof=1)), step / math.sqrt(12))
    return {"repeatability_mm": sd, "repeatability_df": readings - 1.0}


def _size(method: str, cut_sd: float) -> str:
    if METHODS[method].relations[0].quantity == "length":
        return f"{cut_sd:g} mm"
    return f"{math.degrees(cut_sd):.3g} degrees"


def steadiness(
    rng: np.random.Generator,
    methods: tuple[str, str],
    hands_mm: tuple[float, float],
    trials: tuple[int, int],
    series: int,
    *,
    ratio: float = 1.0,
    one_hand: bool = True,
) -> Iterator[Row]:
    """Two saws by two methods: falsely told apart where their cuts scatter alike, rightly where the
    second's scatter `ratio` times as much."""
    cut_sd = math.radians(0.01)
    both = [
        shop_of(rng, method, cut_sd * by, hand, series, n)[0]
        for method, hand, n, by in zip(methods, hands_mm, trials, (1.0, ratio), strict=True)
    ]
    parts = Trials(*(trial_parts(each) for each in both), one_hand)
    told = 0
    for i in range(series):
        values = [each.facts(i).values().angle_rad for each in both]
        floor = max(rounding(0.01) * of.reading for of in parts[:2])
        found = compare(*values, trials=parts, floor_sd=floor)
        told += found.less_steady_shown and (ratio == 1 or found.less_steady == "second")
    ground = f"{methods[0]} against {methods[1]}, {trials[0]} and {trials[1]} trials, "
    ground += f"hands {hands_mm[0]} and {hands_mm[1]} mm, " if not one_hand else ""
    ground += f"one hand {hands_mm[0]} mm, " if one_hand else "two hands, "
    if ratio == 1:
        yield Row(_LOOSE, ground + "cuts scatter alike", "at most", 0.05, told, series)
    else:
        yield Row(_LOOSE, f"{ground}cuts scatter {ratio:g} times", "at least", 0.8, told, series)


def trial_parts(played: Played) -> TrialParts:
    method = METHODS[played.method]
    relation, pieces = method.relations[0], played.board.pieces
    base = _stated_mm(played.method)
    return TrialParts(
        method.cut_share(pieces if method.pieces else None),
        reading_part(method, relation, base_mm=base, pieces=pieces),
    )


def hands(rng: np.random.Generator, runs: int, *, people: bool) -> Iterator[Row]:
    """Whether the limits of a hand that several studies give hold for the hand now. It changes by a
    tenth of a variance of its logarithm a year, and other people are other hands."""
    held = 0
    for _ in range(runs):
        centre = rng.normal(math.log(0.012**2), 1.0)
        years = np.sort(rng.uniform(0, 6, 3))[::-1]
        steps = -np.diff(np.append(years, 0.0))
        walk = np.cumsum(np.append(0.0, rng.normal(0, np.sqrt(0.1 * steps))))
        other = [people and k < 2 for k in range(3)]
        own = centre + walk[:3] + np.array([rng.normal(0, 1.0) if o else 0.0 for o in other])
        df = rng.choice([4, 9, 19], 3)
        sd = np.sqrt(np.exp(own) * rng.chisquare(df) / df)
        found = hand_from([HandStudy(*each) for each in zip(sd, df, years, other, strict=True)])
        now = math.exp((centre + walk[3]) / 2)
        limits = (found.sd * math.sqrt(found.df / chi_square(p, found.df)) for p in (0.975, 0.025))
        low, high = limits
        held += low <= now <= high
    ground = "three studies of 5 to 20 readings in six years"
    ground += ", two of them other people's" if people else ", one person's"
    yield Row(
        "caliper and hand repeat to S, with so many degrees of freedom",
        ground,
        "at least",
        0.95,
        held,
        runs,
    )


def sides(rng: np.random.Generator, series: int) -> Iterator[Row]:
    """Series of one stop, which did not change, by calipers of +-0.02 mm zero and +-1e-4 scale:
    what is said to differ."""
    for calipers, words in (((0, 1, 2), "three calipers"), ((0, 0, 0), "one caliper")):
        wrong = 0
        for values, shared in _stop(rng, series, calipers):
            found = compare_many(values, names="abc", unit="mm", apart_u=apart_u(shared))
            wrong += any(pair.differs for pair in found.pairs)
        ground = f"one stop, 6 parts with each, {words} of +-0.02 mm"
        yield Row("A is above B", ground, "at most", 0.05, wrong, series)
    wrong = 0
    for (before, after), shared in _stop(rng, series, (0, 1)):
        back = came_back(before, after, apart_u=between(*shared).apart_u, unit="mm")
        wrong += back.answer == "did not"
    ground = "one stop, 6 parts before and after, another caliper of +-0.02 mm after"
    yield Row("it did not come back to its stop", ground, "at most", 0.05, wrong, series)


def _stop(
    rng: np.random.Generator, series: int, calipers: tuple[int, ...]
) -> Iterator[tuple[list[Any], list[Systematic]]]:
    """The parts' lengths by each caliper, and what more parts would not tell of their means."""
    zero, scale = rng.uniform(-0.02, 0.02, (3, series)), rng.uniform(-1e-4, 1e-4, (3, series))
    saw = Saw(length_mm=100.0, length_sd=0.01)
    played = [
        play(
            rng,
            "stop-block",
            saw,
            Caliper(hand_mm=0.01, zero_mm=zero[c], scale=scale[c]),
            series=series,
            trials=6,
        )
        for c in calipers
    ]
    for i in range(series):
        facts = [each.facts(i) for each in played]
        budgets = [score(f).quantities["length"].budget for f in facts]
        yield (
            [f.values().length_mm for f in facts],
            [systematic(b, caliper=c) for b, c in zip(budgets, calipers, strict=True)],
        )


def halves(rng: np.random.Generator, series: int, *, one_board: bool) -> Iterator[Row]:
    """Two rolls, one with the board on each side, on a straight fence that is half a degree off."""
    stated, off = 200.0, math.radians(0.5)

    def rolls(side: Side, base: Any) -> tuple[Played, float]:
        # Seen in a mirror a board on the left is one on the right, and a lean to the right one to
        # the left.
        sign = 1.0 if side == "left" else -1.0
        saw = Saw(angle_rad=sign * off, cut_sd=math.radians(0.005))
        board = Board(length_mm=base)
        return play(rng, "roll", saw, Caliper(hand_mm=0.01), board, series=series, trials=5), sign

    def base() -> Any:
        return stated + rng.uniform(-0.5, 0.5, series) - 2 * rng.uniform(-1, 1, series)

    first = base()
    right, left = rolls("left", first), rolls("right", first if one_board else base())
    wrong = 0
    for i in range(series):
        estimates = []
        for (played, sign), side, board in ((left, "right", one_board), (right, "left", True)):
            facts = played.facts(i, baseline_mm=stated, strip_side=side, inset_mm=0.0)
            found = score(facts).quantities["angle"]
            assert found.budget is not None
            assert found.mean is not None
            shared = systematic(found.budget, caliper="one", board="one" if board else None)
            anew = math.sqrt(found.budget.combined**2 - shared.u**2)
            estimates.append(AngleEstimate(found.mean, anew, 4.0, shared))
            assert abs(found.mean - off) < 0.01, sign
        wrong += not fence_halves(*estimates).in_line
    words = "one board" if one_board else "two boards of one nominal width"
    ground = f"rolls on either side, 5 strips each, {words}, fence 0.5 degrees off"
    yield Row("the halves of the fence are out of line", ground, "at most", 0.05, wrong, series)


def rows(rng: np.random.Generator, short: bool) -> Iterator[Row]:
    """Every statement on its grounds."""
    series = 300 if short else 3000
    fine = math.radians(0.01)
    for method in ("reversal", "five-cut", "closing-miters", "roll", "stop-block"):
        sd = 0.03 if method == "stop-block" else fine
        for trials in (2, 4, 12):
            yield from single_cuts(rng, method, sd, 0.003, series, trials)
        yield from single_cuts(rng, method, sd, 0.03, series, 5)
    yield from single_cuts(rng, "reversal", fine / 4, 0.001, series, 6, step_nm=25_400)
    for hand in (0.003, 0.01, 0.03, 0.05):
        for study in (0, 10):
            for sd in (0.0, fine / 4, fine):
                yield from own_scatter(rng, "reversal", sd, hand, series, 12, study)
    for hand in (0.003, 0.02):
        for other in ("five-cut", "closing-miters", "reversal"):
            pair = ("reversal", other)
            yield from steadiness(rng, pair, (hand, hand), (8, 8), series)
            yield from steadiness(rng, pair, (hand, hand), (10, 10), series, ratio=4)
    yield from steadiness(
        rng, ("reversal", "reversal"), (0.003, 0.05), (8, 8), series, one_hand=False
    )
    yield from hands(rng, series, people=False)
    yield from hands(rng, series, people=True)
    yield from sides(rng, series)
    yield from halves(rng, series, one_board=True)
    yield from halves(rng, series, one_board=False)
    for method in ("five-cut", "closing-miters"):
        for study in (0, 10):
            yield from own_scatter(rng, method, fine, 0.01, series, 5, study)
