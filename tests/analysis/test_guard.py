"""A wrong reading is asked about while the strip is in the hand; an honest one hardly ever."""

from __future__ import annotations

import numpy as np
import pytest

from analysis import expected
from analysis.guard import (
    Guard,
    Lines,
    Question,
    Sent,
    last_digit_lost,
    listed,
    same_again,
    sentence,
    suspicious,
)
from analysis.methods import METHODS, custom_method
from analysis.units import NM_PER_UNIT, parse_length
from benchmarks.truth import guard as truth

REVERSAL = Guard(METHODS["reversal"], baseline_mm=200.0)


def sent(text, unit="mm"):
    return Sent(parse_length(text, unit), text, unit)


def strips(*pairs, unit="mm"):
    return [[[sent(text, unit).nm] for text in pair.split()] for pair in pairs]


EARLIER = strips("11.42 11.48", "11.40 11.47", "11.43 11.49")


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("114.20", "factor 10"),
        ("1.14", "factor 10"),
        ("290.07", "factor 25.4"),
        ("0.45", "factor 25.4"),
        ("1.42", "first digit lost"),
    ],
)
def test_a_first_end_far_from_strips_cut_to_a_stop_is_asked_about(text, kind):
    found = REVERSAL.question(0, sent(text), [], EARLIER)
    assert (found.kind, found.beside) == (kind, "strips")
    assert found.near_nm == pytest.approx(11_420_000, abs=100_000)
    said = sentence(found, sent(text), METHODS["reversal"], 0)
    unit = "Look at the caliper's unit, then measure it again."
    now = unit if kind == "factor 25.4" else "Measure it again."
    assert said == f"{text}? The last strips were near 11.4. {now}"


def test_ends_that_do_not_match_are_asked_about_from_the_first_strip_on():
    second = sent("114.80")
    found = REVERSAL.question(1, second, [[11_420_000], []], [])
    assert (found.kind, found.beside) == ("factor 10", "other end")
    assert sentence(found, second, METHODS["reversal"], 1) == (
        "114.80? By what this strip read before, open end is near 11.5. Measure it again; if the "
        "one before was wrong, close the jaws twice and measure both again."
    )
    assert REVERSAL.question(1, sent("11.48"), [[114_200_000], []], []) is not None
    assert REVERSAL.question(1, sent("40.00"), [[11_420_000], []], []).kind == "far off"


def test_a_digit_lost_after_a_minus_is_asked_about_like_any_other():
    of = Guard(METHODS["blade-to-slot"], baseline_mm=200.0)
    earlier = strips("-15.01 -14.90", "-15.00 -14.91", "-15.02 -14.92")
    found = of.question(1, sent("-4.91"), [[-15_020_000], []], earlier)
    assert (found.kind, found.near_nm) == ("first digit lost", -14_910_000)
    assert of.question(1, sent("-14.93"), [[-15_020_000], []], earlier) is None


@pytest.mark.parametrize("left", [".8220", "0.8220", "00.8220"])
def test_a_lost_digit_is_asked_about_whatever_zeros_stand_before_the_point(left):
    of = Guard(METHODS["reversal"], baseline_mm=300.0)
    earlier = strips("1.7470 1.7685", "1.7565 1.7745", unit="in")
    found = of.question(1, sent(left, "in"), [[sent("1.8005", "in").nm], []], earlier)
    assert (found.kind, found.beside) == ("first digit lost", "other end")
    assert found.near_nm / 25.4e6 == pytest.approx(1.82, abs=0.01)
    narrower = [[sent("0.8005", "in").nm], []]
    assert of.question(1, sent("0.8220", "in"), narrower, earlier) is None


def test_the_first_strip_of_a_new_machine_that_is_out_is_not_taken_for_a_lost_digit():
    # 1.4 and 2.9 degrees, where a one or a two before the first digit would make both ends equal.
    assert REVERSAL.question(1, sent("9.98"), [[20_100_000], []], []) is None
    assert REVERSAL.question(1, sent("9.98"), [[30_100_000], []], []).kind == "first digit lost"


def test_a_machine_known_to_be_far_out_is_not_asked_about_again_for_that():
    leaning = sent("36.96")  # 3.5 degrees
    of_a_new_one = REVERSAL.question(1, leaning, [[12_500_000], []], [])
    assert of_a_new_one.kind == "far off"
    known = Guard(METHODS["reversal"], 200.0, usual={"angle": np.radians(3.5)})
    assert known.question(1, leaning, [[12_500_000], []], []) is None
    assert known.question(1, sent("75.00"), [[12_500_000], []], []) is not None


def test_a_first_strip_is_compared_with_what_the_machine_usually_shows():
    of = METHODS["five-cut"]
    unknown, true, out = (Guard(of, 400.0, usual=u) for u in ({}, {"angle": 1e-4}, {"angle": 0.02}))
    second, lost = sent("20.40"), [[8_420_000], []]
    assert true.question(1, second, lost, []).kind == "first digit lost"
    assert unknown.question(1, second, lost, []) is None
    assert out.question(1, second, lost, []) is None
    # It may have been moved since.
    assert true.question(1, sent("22.40"), lost, []) is None


def test_strips_of_any_width_and_a_saw_that_is_out_are_not_asked_about():
    free = strips("8.10 9.50", "31.00 32.41", "17.20 18.58")
    assert REVERSAL.question(0, sent("52.00"), [], free) is None
    assert REVERSAL.question(1, sent("53.40"), [[52_000_000], []], free) is None
    # Two degrees over 200 mm.
    assert REVERSAL.question(1, sent("24.00"), [[10_000_000], []], []) is None


def heard(*lines):
    of = Lines()
    for line in lines:
        of = of.heard(line)
    return of


FIXED = heard(*(f"+11.{n} mm" for n in range(40, 61)))


def test_a_lost_last_digit_shows_by_the_decimals_that_the_caliper_always_sends():
    assert FIXED == (21, 3, 2)
    for text in ("11.4", "+11.4 mm", "11,4", "1142", "11."):
        assert last_digit_lost(text, FIXED)
    assert not last_digit_lost("11.42", FIXED)
    found = REVERSAL.question(0, sent("11.4"), [], EARLIER, FIXED)
    assert found == Question("last digit lost", None, "digits")
    assert sentence(found, sent("11.4"), METHODS["reversal"], 0) == (
        "11.4? This caliper has sent more decimals until now. Measure it again."
    )


def test_a_caliper_that_may_leave_out_zeros_is_not_asked_about_its_digits():
    for few in ([], ["12.30"], ["12.30", "12.41", "12.50"], ["12.34"] * 50):
        assert not last_digit_lost("12.3", heard(*few))
    # It was set to show fewer decimals once.
    assert not last_digit_lost("12.3", FIXED.heard("11.5"))
    # The text of a count that has no decimals.
    assert not last_digit_lost("12", heard(*["10", "20"] * 50))


def test_blocks_of_several_sizes_are_judged_by_a_stated_size_alone():
    stepping = Guard(METHODS["known-block"])
    assert stepping.question(0, sent("100.00"), [], strips("10.00", "10.01")) is None
    stated = Guard(METHODS["known-block"], baseline_mm=25.0)
    found = stated.question(0, sent("250.01"), [], [])
    assert (found.kind, round(found.near_nm, -5)) == ("factor 10", 25_000_000)
    assert stated.question(0, sent("25.01"), [], []) is None


def test_the_two_sizes_of_which_a_method_of_the_users_own_takes_the_mean_may_differ():
    own = Guard(custom_method({"key": "rail", "places": ["top", "foot"], "quantity": "length"}))
    assert own.question(1, sent("26.50"), [[22_000_000], []], []) is None
    assert own.question(1, sent("22.10"), [[22_000_000], []], strips("22.00 26.50")) is None
    found = own.question(1, sent("221.00"), [[22_000_000], []], [])
    assert (found.kind, found.near_nm) == ("factor 10", 22_100_000)


def test_gaps_near_zero_may_be_ten_times_as_wide():
    gap = Guard(METHODS["closing-miters"], baseline_mm=60.0)
    assert gap.question(0, sent("0.30"), [], strips("0.03", "0.05", "0.02")) is None


def test_a_press_within_the_hands_bound_is_the_same_again():
    assert same_again(114_200_000, 114_250_000, 10_000)
    assert not same_again(114_200_000, 11_420_000, 10_000)
    assert not same_again(11_400_000, 11_700_000, 10_000)


def test_a_pause_of_hours_asks_whether_the_series_goes_on():
    said = sentence(Question("long ago"), sent("11.42"), METHODS["reversal"], 0, 14 * 3600.0)
    assert said.startswith("11.42? Nothing was measured here for 14 hours.")


def test_old_measurements_are_listed_a_trial_once_and_a_change_is_no_series_of_mistakes():
    def trials(*rows):
        return [[sent(text) for text in row.split()] for row in rows]

    good = trials("11.42 11.40 11.48 11.49", "11.40 11.41 11.47 11.46", "11.43 11.43 11.49 11.47")
    wrong = trials("11.41 11.42 1.15 11.46", "11.44 11.42 11.49 11.50", "114.2 114.3 11.49 11.47")
    found = suspicious(REVERSAL, good + wrong + good)
    assert [(number, index) for number, index, _ in found] == [(3, 2), (5, 0)]
    said = [
        listed(question, (good + wrong)[number][index], METHODS["reversal"], index // 2)
        for number, index, question in found
    ]
    assert said == [
        "open end: 1.15 does not go with what was read of the strip before it, by which it is near "
        "11.5 mm",
        "fence end: 114.2 can hardly be right; the strips before are near 11.4 mm",
    ]
    # The stop was moved.
    parts = Guard(METHODS["stop-block"])
    moved = trials(*["100.02"] * 4, *["200.05"] * 4)
    assert [number for number, _, _ in suspicious(parts, moved)] == [4, 5]
    assert suspicious(REVERSAL, []) == []


@pytest.mark.parametrize("method", ["reversal", "stop-block"])
def test_what_is_right_at_first_sight_is_right_by_the_whole_rule(method, monkeypatch):
    rng = np.random.default_rng(11)
    quick = Guard(METHODS[method], baseline_mm=200.0)
    assert quick._nearest is not None
    assert quick._parts is not None
    monkeypatch.setattr(expected, "_near", lambda *_: (-1.0,) * 13)
    whole = Guard(METHODS[method], baseline_mm=200.0)
    place, seen = len(quick.method.places) - 1, 0
    for _ in range(400):
        # Trials that scatter little leave the narrowest room.
        widths = rng.normal([30.0, 31.0][: place + 1], 1e-3, (rng.integers(1, 13), place + 1))
        earlier = [[[round(mm * 1e6)] for mm in trial] for trial in widths]
        value = widths[-1, place] + rng.uniform(-4, 4)
        strip = [[earlier[-1][0][0]], []] if place else []
        if quick.expected(place, value, strip, earlier) is None:
            full = whole.expected(place, value, strip, earlier)
            assert full.as_sent(value) is None
            assert not full.far(value)
            seen += 1
    assert 50 < seen < 390


@pytest.mark.parametrize("method", sorted(METHODS))
def test_no_reading_is_too_odd_to_be_judged(method):
    rng = np.random.default_rng(3)
    odd = [-(10**15), -11_420_000, -40_000, -1, 0, 1, 40_000, 11_420_000, 5 * 10**14]
    of = METHODS[method]
    for _ in range(60):
        baseline, thickness = (float(rng.choice([1e-6, 200, 1e6])) for _ in range(2))
        guard = Guard(of, baseline, thickness, 4 if of.pieces else None)
        some = odd[int(rng.integers(5)) :]
        trials = [[[int(rng.choice(some))] for _ in of.places] for _ in range(rng.integers(1, 15))]
        *earlier, strip = trials
        place = int(rng.integers(len(of.places)))
        before = [read if at < place or rng.random() < 0.1 else [] for at, read in enumerate(strip)]
        text = rng.choice(["", "-", "0", "-0.00", "0011.42 mm", "x", "9" * 40])
        reading = Sent(int(rng.choice(odd)), str(text), "mm")
        asked = guard.question(place, reading, before, earlier, FIXED)
        assert asked is None or sentence(asked, reading, of, place)


def test_inches_are_said_in_inches():
    guard = Guard(METHODS["reversal"], baseline_mm=8 * 25.4)
    earlier = strips("0.4490 0.4515", "0.4480 0.4510", unit="in")
    found = guard.question(0, sent("4.4900", "in"), [], earlier)
    assert found.kind == "factor 10"
    assert found.near_nm / NM_PER_UNIT["in"] == pytest.approx(0.449, abs=0.002)
    assert "near 0.45" in sentence(found, sent("4.4900", "in"), METHODS["reversal"], 0)


@pytest.mark.parametrize("method", ["reversal", "stop-block"])
def test_in_simulation_mistakes_are_caught_and_honest_readings_left_alone(method):
    rows = list(truth.of_method(np.random.default_rng(5), method, 80))
    assert len(rows) >= 7
    for row in rows:
        assert row.kept, row
