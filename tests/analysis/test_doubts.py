from __future__ import annotations

import math
from unittest.mock import Mock

import numpy as np
import pytest

from analysis.doubts import Elsewhere, find_doubts, grubbs_limit
from analysis.geometry import at_stop, nominal_mm
from analysis.methods import METHODS

SWAP = (1, 0)


def strips(
    rng: np.random.Generator, n: int, deviation: float = 0.5, sd: float = 0.02
) -> np.ndarray:
    """(n, 2) widths in mm of strips cut freehand to different widths."""
    fence = rng.uniform(12, 40, n)
    return np.column_stack([fence, fence + deviation]) + rng.normal(0, sd, (n, 2))


@pytest.fixture
def good(rng: np.random.Generator) -> np.ndarray:
    return strips(rng, 6)


def test_a_sound_series_raises_no_doubt(good: np.ndarray) -> None:
    assert find_doubts(good, swap=SWAP) == ()


def test_swapped_ends_are_seen_and_the_trial_is_kept(good: np.ndarray) -> None:
    w = good.copy()
    w[2] = w[2, ::-1]
    (doubt,) = find_doubts(w, swap=SWAP)
    assert (doubt.kind, doubt.trial_numbers) == ("ends swapped", (3,))
    d = w[:, 1] - w[:, 0]
    assert doubt.mean_with == pytest.approx(d.mean())
    assert doubt.mean_without == pytest.approx(np.delete(d, 2).mean())
    assert "mixed up" in doubt.sentence


def test_another_size_with_the_other_sign_is_not_taken_for_swapped_ends(good: np.ndarray) -> None:
    w = good.copy()
    w[2, 1] -= 2.5
    (doubt,) = find_doubts(w, swap=SWAP)
    assert (doubt.kind, doubt.trial_numbers) == ("outlier", (3,))


def test_the_trade_check_of_swapped_ends() -> None:
    # Inches, 0.475 and 0.482; the same strip held the other way reads 0.520 and 0.513 with the
    # same size and other sign: common practice, no source.
    w = 25.4 * np.array([[0.475, 0.482], [0.520, 0.513], [0.475, 0.482]])
    (doubt,) = find_doubts(w, swap=SWAP)
    assert (doubt.kind, doubt.trial_numbers) == ("ends swapped", (2,))


def test_when_half_are_swapped_it_does_not_guess_which(good: np.ndarray) -> None:
    w = good.copy()
    w[:3] = w[:3, ::-1]
    (doubt,) = find_doubts(w, swap=SWAP)
    assert doubt.kind == "ends swapped"
    assert doubt.trial_numbers == (1, 2, 3, 4, 5, 6)
    assert doubt.mean_without is None


def test_the_swapped_ends_of_a_roll_are_its_four_corners(rng: np.random.Generator) -> None:
    base = rng.uniform(15, 30, (5, 1))
    w = base + np.array([0, 0.1, 0.6, 0.7]) + rng.normal(0, 0.01, (5, 4))
    assert find_doubts(w, swap=(2, 3, 0, 1)) == ()
    w[4] = w[4, [2, 3, 0, 1]]
    (doubt,) = find_doubts(w, swap=(2, 3, 0, 1))
    assert (doubt.kind, doubt.trial_numbers) == ("ends swapped", (5,))


def test_a_strip_read_once_in_inches_and_once_in_mm_is_seen(good: np.ndarray) -> None:
    w = good.copy()
    w[3, 1] /= 25.4
    (doubt,) = find_doubts(w, swap=SWAP)
    assert (doubt.kind, doubt.trial_numbers) == ("unit slip", (4,))


@pytest.mark.parametrize("factor", [25.4, 1 / 25.4])
def test_a_whole_strip_in_the_wrong_unit_is_seen(good: np.ndarray, factor: float) -> None:
    w = good.copy()
    w[1] *= factor
    (doubt,) = find_doubts(w, swap=SWAP)
    assert (doubt.kind, doubt.trial_numbers) == ("unit slip", (2,))


@pytest.mark.parametrize("factor", [25.4, 1 / 25.4])
@pytest.mark.parametrize("wrong", [0, 1, 2])
def test_one_slip_among_three_accuses_that_one_alone(wrong: int, factor: float) -> None:
    w = np.array([[20.0, 20.3], [21.0, 21.3], [19.5, 19.8]])
    w[wrong] *= factor
    (doubt,) = find_doubts(w, swap=SWAP)
    assert (doubt.kind, doubt.trial_numbers) == ("unit slip", (wrong + 1,))
    assert doubt.mean_without == pytest.approx(0.3)


def test_a_caliper_switched_halfway_leaves_the_first_half_undoubted() -> None:
    w = np.array([[20.0, 20.3], [21.0, 21.3], [20.5, 20.8], [19.5, 19.8]])
    w[2:] /= 25.4
    (doubt,) = find_doubts(w, swap=SWAP)
    assert (doubt.kind, doubt.trial_numbers) == ("unit slip", (3, 4))


def test_strips_of_every_size_are_never_all_doubted() -> None:
    assert find_doubts([[1.0, 1.0], [8.6, 8.6], [74.0, 74.0]], swap=SWAP) == ()


@pytest.mark.parametrize("length", [60.0, 140.0, 300.0, 600.0])
@pytest.mark.parametrize("nominal", [-10.0, -5.0, -0.5, 0.5, 2.0, 10.0])
def test_a_wedge_at_a_stop_is_no_other_unit_and_hides_none(nominal: float, length: float) -> None:
    wedge = nominal_mm(at_stop(METHODS["reversal"], nominal), length, "left")
    rng = np.random.default_rng(7)
    narrow = rng.uniform(2, 40, 12)
    # The jaws stand up to 3 mm inside of each end, which nobody said.
    read = wedge * (1 - rng.uniform(0, 6, 12) / length) + rng.normal(0, 0.05, 12)
    honest = np.column_stack([narrow - np.minimum(read, 0), narrow + np.maximum(read, 0)])
    found = find_doubts(honest, swap=SWAP, wedge_mm=wedge)
    assert [doubt.kind for doubt in found if doubt.kind != "outlier"] == []
    for place in (0, 1):
        mixed = honest.copy()
        mixed[4] += 20 + abs(wedge) / 5 - narrow[4]
        mixed[4, place] /= 25.4
        found = find_doubts(mixed, swap=SWAP, wedge_mm=wedge)
        assert (found[0].kind, found[0].trial_numbers) == ("unit slip", (5,))


def test_small_gaps_may_differ_by_any_factor() -> None:
    assert find_doubts([[0.01], [0.25], [0.02], [0.15]]) == ()


@pytest.mark.parametrize("lost", [0, 4, 5])
def test_a_lost_reading_shows_as_pairs_shifted_by_one(good: np.ndarray, lost: int) -> None:
    readings = np.delete(good.ravel(), lost)[: 2 * (len(good) - 1)].reshape(-1, 2)
    found = find_doubts(readings, swap=SWAP)
    (doubt,) = (d for d in found if d.kind == "shifted pairing")
    assert doubt.trial_numbers[-1] == 5
    # From the trial in which the reading was lost.
    assert doubt.trial_numbers[0] == lost // 2 + 1
    assert doubt.mean_with is not None


def test_one_bad_reading_is_an_outlier_by_grubbs(good: np.ndarray) -> None:
    w = good.copy()
    w[4, 1] += 0.5
    (doubt,) = find_doubts(w, swap=SWAP)
    assert (doubt.kind, doubt.trial_numbers) == ("outlier", (5,))
    assert "Grubbs" in doubt.sentence


def test_trials_are_called_by_their_own_numbers_and_counted_in_their_own_unit(
    good: np.ndarray,
) -> None:
    w = good.copy()
    w[4, 1] += 0.5
    angles = np.arctan((w[:, 1] - w[:, 0]) / 400)
    (doubt,) = find_doubts(
        w, swap=SWAP, values=angles, unit="rad", numbers=[11, 12, 13, 14, 17, 18]
    )
    assert doubt.trial_numbers == (17,)
    assert doubt.sentence.startswith("Strip 17 ")
    assert doubt.mean_with == pytest.approx(angles.mean())
    assert doubt.mean_without == pytest.approx(np.delete(angles, 4).mean())


def test_the_limit_of_grubbs_test() -> None:
    # Two-sided, 5 %, as tabled (Grubbs and Beck 1972, Technometrics 14; from memory).
    for n, limit in ((3, 1.155), (5, 1.715), (8, 2.126), (10, 2.290), (20, 2.709)):
        assert grubbs_limit(n) == pytest.approx(limit, abs=1.1e-3)
    with pytest.raises(ValueError, match="fewer than three"):
        grubbs_limit(2)


def test_the_limit_of_grubbs_test_is_passed_as_seldom_as_said(rng: np.random.Generator) -> None:
    x = rng.normal(size=(40_000, 6))
    g = np.abs(x - x.mean(axis=1, keepdims=True)).max(axis=1) / x.std(axis=1, ddof=1)
    assert (g > grubbs_limit(6)).mean() == pytest.approx(0.05, abs=0.005)


def test_near_zero_strips_on_a_saw_found_off_ask_which_edge_lay_on_the_fence(
    rng: np.random.Generator,
) -> None:
    w = strips(rng, 5, deviation=0.0)
    assert find_doubts(w, swap=SWAP) == ()
    (doubt,) = find_doubts(w, swap=SWAP, elsewhere=Elsewhere(0.5))
    assert doubt.kind == "wrong turn"
    assert "which edge lay on the fence" in doubt.sentence
    assert find_doubts(w, swap=SWAP, elsewhere=Elsewhere(0.001)) == ()


def test_the_right_size_with_the_wrong_sign_asks_where_the_strip_fell(
    rng: np.random.Generator,
) -> None:
    (doubt,) = find_doubts(strips(rng, 5, deviation=-0.5), swap=SWAP, elsewhere=Elsewhere(0.5))
    assert doubt.kind == "wrong turn"
    assert "on which side of the blade" in doubt.sentence
    assert find_doubts(strips(rng, 5, deviation=0.5), swap=SWAP, elsewhere=Elsewhere(0.5)) == ()


@pytest.mark.parametrize("n", [2, 4, 8])
@pytest.mark.parametrize("alike", [False, True])
def test_sound_series_are_seldom_doubted(rng: np.random.Generator, n: int, alike: bool) -> None:
    runs, doubted = 400, 0
    for _ in range(runs):
        w = strips(rng, n, deviation=rng.normal(0, 0.2))
        if alike:
            w = w - w[:, :1] + 20 + rng.normal(0, 0.02, (n, 1))
        # A saw that scatters more than the hand.
        w[:, 1] += rng.normal(0, 0.05, n)
        doubted += bool(find_doubts(w, swap=SWAP))
    assert doubted / runs < 0.05 + 4 * math.sqrt(0.05 * 0.95 / runs)


def test_readings_alike_to_the_last_digit_make_no_outlier_of_one_step() -> None:
    w = np.array([[20.0, 20.10]] * 5 + [[20.0, 20.11]])
    assert find_doubts(w, swap=SWAP) == ()


def test_repeated_readings_of_a_place_are_averaged(good: np.ndarray) -> None:
    w = np.repeat(good[:, :, None], 3, axis=2)
    w[0, 0, 2] = math.nan
    assert find_doubts(w, swap=SWAP) == ()
    w[2] = w[2, ::-1]
    (doubt,) = find_doubts(w, swap=SWAP)
    assert doubt.trial_numbers == (3,)


@pytest.mark.parametrize(
    "widths",
    [
        np.empty((0, 2)),
        [[1.0, 2.0]],
        np.full((4, 2), math.nan),
        np.ones((5, 2)),
        np.zeros((5, 2)),
        np.full((3, 2, 2), math.nan),
        [[math.nan, 19.0], [20.0, 20.5], [20.0, 20.5]],
        [[math.inf, math.inf], [20.0, 20.5], [20.0, 20.5]],
    ],
)
def test_nothing_to_go_by_raises_no_doubt(widths: object) -> None:
    assert find_doubts(widths, swap=SWAP, elsewhere=None) == ()  # type: ignore[arg-type]


def test_shapes_that_do_not_fit_are_named() -> None:
    with pytest.raises(ValueError, match="trials by places"):
        find_doubts([1, 2, 3])
    with pytest.raises(ValueError, match="swap"):
        find_doubts([[1, 2]], swap=(0,))
    with pytest.raises(ValueError, match="one for each of the 1 trials"):
        find_doubts([[1, 2]], values=[1, 2])


# ------------------------------------------------------------ what was not seen before


def _strip_slots(rng: np.random.Generator, n: int, places: np.ndarray, repeats: int) -> np.ndarray:
    """(n, places * repeats) readings in their order, of strips of different widths."""
    slots = np.repeat(places, repeats)
    return rng.uniform(12, 20, (n, 1)) + slots + rng.normal(0, 0.01, (n, slots.size))


_ROLL = np.array([0.0, 0.1, 0.4, 0.5])
_ENDS = np.array([0.0, 0.4])


def _doubts_without(
    strips_read: np.ndarray,
    lost: int | None,
    twice: int | None,
    swap: tuple[int, ...],
    repeats: int,
) -> tuple[list[str], int | None]:
    """Kinds of doubt, and the trial named first, where one reading of all was lost or doubled."""
    flat = strips_read.ravel()
    flat = np.delete(flat, lost) if lost is not None else np.insert(flat, twice, flat[twice])
    places = len(swap)
    size = places * repeats
    whole = flat.size // size
    found = find_doubts(
        flat[: whole * size].reshape(whole, places, repeats),
        swap=swap, rest_mm=flat[whole * size :], resolution_mm=0.01,
    )  # fmt: skip
    return [d.kind for d in found], found[0].trial_numbers[0] if found else None


@pytest.mark.parametrize("lost", range(6))
def test_a_reading_lost_in_a_series_of_four_strips_is_seen(
    rng: np.random.Generator, lost: int
) -> None:
    strips_read = _strip_slots(rng, 4, _ENDS, 1)
    kinds, first = _doubts_without(strips_read, lost, None, SWAP, 1)
    assert (kinds, first) == (["shifted pairing"], lost // 2 + 1)


@pytest.mark.parametrize("lost", [0, 4, 10])
@pytest.mark.parametrize("repeats", [2, 3])
def test_a_lost_reading_is_seen_where_each_place_is_read_again(
    rng: np.random.Generator, repeats: int, lost: int
) -> None:
    strips_read = _strip_slots(rng, 6, _ENDS, repeats)
    kinds, first = _doubts_without(strips_read, lost, None, SWAP, repeats)
    assert (kinds, first) == (["shifted pairing"], lost // (2 * repeats) + 1)


@pytest.mark.parametrize(
    ("lost", "twice"), [(0, None), (5, None), (14, None), (None, 1), (None, 9)]
)
def test_a_reading_of_a_roll_that_was_lost_or_sent_twice_is_seen(
    rng: np.random.Generator, lost: int | None, twice: int | None
) -> None:
    strips_read = _strip_slots(rng, 6, _ROLL, 1)
    kinds, first = _doubts_without(strips_read, lost, twice, (2, 3, 0, 1), 1)
    at = lost if lost is not None else twice
    assert at is not None
    assert (kinds, first) == (["shifted pairing"], at // 4 + 1)


def test_lower_and_upper_edge_mixed_up_in_a_roll_are_seen(rng: np.random.Generator) -> None:
    w = _strip_slots(rng, 5, _ROLL * 2, 1)
    turns = {"swap": (2, 3, 0, 1), "edges": (1, 0, 3, 2)}
    assert find_doubts(w, **turns) == ()  # type: ignore[arg-type]
    w[3] = w[3, [1, 0, 3, 2]]
    (doubt,) = find_doubts(w, **turns)  # type: ignore[arg-type]
    assert (doubt.kind, doubt.trial_numbers) == ("edges swapped", (4,))
    assert "the lower edge and the upper edge mixed up" in doubt.sentence


def test_of_two_strips_of_which_one_is_in_inches_both_are_doubted() -> None:
    (doubt,) = find_doubts([[20.0, 20.3], [0.80, 0.81]], swap=SWAP)
    assert (doubt.kind, doubt.trial_numbers) == ("unit slip", (1, 2))
    assert "switched between inches and mm" in doubt.sentence
    assert find_doubts([[20.0, 20.3], [8.0, 8.3]], swap=SWAP) == ()
    # A gap may be any number of times another.
    assert find_doubts([[0.4], [10.0]]) == ()


def test_what_was_found_before_counts_as_surely_as_it_is_known(rng: np.random.Generator) -> None:
    w = strips(rng, 5, deviation=-0.5)
    assert [d.kind for d in find_doubts(w, swap=SWAP, elsewhere=Elsewhere(0.5, lambda: 0.05))] == [
        "wrong turn"
    ]
    assert find_doubts(w, swap=SWAP, elsewhere=Elsewhere(0.5, lambda: 0.4)) == ()
    near = strips(rng, 5, deviation=0.0)
    assert find_doubts(near, swap=SWAP, elsewhere=Elsewhere(0.5, lambda: 0.2)) == ()


def test_how_surely_it_was_known_before_is_asked_only_where_that_matters(
    rng: np.random.Generator,
) -> None:
    asked = Mock(return_value=0.05)
    for found, deviation, times in ((0.5, 0.5, 0), (0.01, 0.0, 0), (0.5, -0.5, 1), (0.5, 0.0, 2)):
        find_doubts(
            strips(rng, 5, deviation=deviation), swap=SWAP, elsewhere=Elsewhere(found, asked)
        )
        assert asked.call_count == times


@pytest.mark.parametrize(("saw", "hand"), [(0.03, 0.003), (0.5, 0.02)])
def test_an_honest_series_looked_at_after_each_strip_is_seldom_doubted(
    rng: np.random.Generator, saw: float, hand: float
) -> None:
    runs, doubted = 120, 0
    for run in range(runs):
        n = 12
        width = 15.0 if run % 2 else rng.uniform(12, 20, (n, 1))
        w = width + np.column_stack([np.zeros(n), rng.normal(0, saw, n)])
        w = np.round(w + rng.normal(0, hand, (n, 2)), 2)
        doubted += any(
            find_doubts(w[:k], swap=SWAP, reading_sd_mm=hand, resolution_mm=0.01)
            for k in range(1, n + 1)
        )
    assert doubted / runs < 0.05 + 2 * math.sqrt(0.05 * 0.95 / runs)


def _bent(w: np.ndarray, fault: str) -> np.ndarray:
    """Six good strips with a fault."""
    w = w.copy()
    match fault:
        case "ends":
            w[5] = w[5, ::-1]
        case "ends before":
            w[1] = w[1, ::-1]
        case "half":
            w[3:] = w[3:, ::-1]
        case "far":
            w[5, 1] += 0.6
        case "far before":
            w[2, 1] += 0.6
        case "inches":
            w[5] /= 25.4
        case "lost":
            w = np.delete(w.ravel(), 3)[:10].reshape(-1, 2)
        case "zero":
            w[:, 1] = w[:, 0]
        case "other side":
            w = w[:, ::-1]
    return w


@pytest.mark.parametrize(
    ("fault", "says", "trials", "acts"),
    [
        ("ends", "Strip 6 leans the other way by the same size", (6,), ("swap ends",)),
        ("ends before", "Strip 2 leans the other way", (2,), ("swap ends",)),
        ("half", "look at the ends of strip 6", (6,), ("swap ends",)),
        ("far", "Measure strip 6 again", (6,), ("measure again", "leave out")),
        ("far before", "Leave it out if you know why", (3,), ("leave out",)),
        ("inches", "Look at the caliper's unit", (6,), ("measure again", "leave out")),
        ("lost", "leave strips 2 to 5 out, and begin again", (2, 3, 4, 5), ("begin again",)),
        ("zero", "near zero, where 0.5 mm was found before", (1, 2, 3, 4, 5, 6), ()),
        ("other side", "fell to the other side", (1, 2, 3, 4, 5, 6), ("other side",)),
    ],
)
def test_each_doubt_says_what_to_do_with_the_strip_in_the_hand(
    good: np.ndarray, fault: str, says: str, trials: tuple[int, ...], acts: tuple[str, ...]
) -> None:
    elsewhere = Elsewhere(0.5) if fault in ("zero", "other side") else None
    (doubt,) = find_doubts(_bent(good, fault), swap=SWAP, elsewhere=elsewhere, noun="strip")
    assert says in doubt.now.sentence
    assert (doubt.now.trials, doubt.now.acts) == (trials, acts)


def test_a_strip_is_doubted_beside_those_of_its_own_visit_to_the_stop_alone():
    rng = np.random.default_rng(8)
    first, base = 0.10 + rng.normal(0, 0.01, 6), 20 + rng.uniform(0, 2, 7)
    # The machine came back 0.3 mm elsewhere: an outlier among strips, and none of its visit.
    widths = np.column_stack([base, base + np.append(first, 0.40)])
    (told,) = find_doubts(widths, swap=(1, 0))
    assert (told.kind, told.trial_numbers) == ("outlier", (7,))
    assert find_doubts(widths, swap=(1, 0), visit=[1] * 6 + [2]) == ()
    # In a visit of seven it stays one.
    assert find_doubts(widths, swap=(1, 0), visit=[4] * 7) == (told,)
    with pytest.raises(ValueError, match="visit: give one for each of the 7"):
        find_doubts(widths, swap=(1, 0), visit=[1, 2])
