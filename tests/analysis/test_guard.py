"""A wrong reading is asked about while the strip is in the hand; an honest one hardly ever."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.guard import Guard, Question, Sent, last_digit_lost, same_again, sentence
from analysis.methods import METHODS
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
    assert said == f"{text}? The last strips were near 11.4. Measure it again."


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


def test_strips_of_any_width_and_a_saw_that_is_out_are_not_asked_about():
    free = strips("8.10 9.50", "31.00 32.41", "17.20 18.58")
    assert REVERSAL.question(0, sent("52.00"), [], free) is None
    assert REVERSAL.question(1, sent("53.40"), [[52_000_000], []], free) is None
    # Two degrees over 200 mm.
    assert REVERSAL.question(1, sent("24.00"), [[10_000_000], []], []) is None


def test_a_lost_last_digit_shows_by_the_decimals_that_the_caliper_sends():
    assert last_digit_lost("11.4", ["11.42", "11.40"])
    assert last_digit_lost("+11.4 mm", ["+11.42 mm"])
    assert last_digit_lost("1142", ["11.42"])
    assert not last_digit_lost("11.4", ["11.42", "11.5"])
    assert not last_digit_lost("11.42", ["11.4"])
    assert not last_digit_lost("11.4", [])
    found = REVERSAL.question(0, sent("11.4"), [], EARLIER, ["11.42", "11.48"])
    assert found == Question("last digit lost", None, "digits")
    assert sentence(found, sent("11.4"), METHODS["reversal"], 0) == (
        "11.4? This caliper has sent more decimals until now. Measure it again."
    )


def test_blocks_of_several_sizes_are_judged_by_a_stated_size_alone():
    stepping = Guard(METHODS["known-block"])
    assert stepping.question(0, sent("100.00"), [], strips("10.00", "10.01")) is None
    stated = Guard(METHODS["known-block"], baseline_mm=25.0)
    found = stated.question(0, sent("250.01"), [], [])
    assert (found.kind, round(found.near_nm, -5)) == ("factor 10", 25_000_000)
    assert stated.question(0, sent("25.01"), [], []) is None


def test_gaps_near_zero_may_be_ten_times_as_wide():
    gap = Guard(METHODS["closing-miters"], baseline_mm=60.0)
    assert gap.question(0, sent("0.30"), [], strips("0.03", "0.05", "0.02")) is None


def test_a_press_within_the_hands_bound_is_the_same_again():
    assert same_again(114_200_000, 114_250_000, 10_000)
    assert not same_again(114_200_000, 11_420_000, 10_000)
    assert not same_again(11_400_000, 11_700_000, 10_000)


def test_a_pause_of_hours_asks_whether_the_series_goes_on():
    said = sentence(Question("long ago"), sent("11.42"), METHODS["reversal"], 0, 14 * 3600.0)
    assert said.startswith("11.42 comes 14 hours after the last reading of this series")


def test_inches_are_said_in_inches():
    guard = Guard(METHODS["reversal"], baseline_mm=8 * 25.4)
    earlier = strips("0.4490 0.4515", "0.4480 0.4510", unit="in")
    found = guard.question(0, sent("4.4900", "in"), [], earlier)
    assert found.kind == "factor 10"
    assert found.near_nm / NM_PER_UNIT["in"] == pytest.approx(0.449, abs=0.002)
    assert "near 0.45" in sentence(found, sent("4.4900", "in"), METHODS["reversal"], 0)


@pytest.mark.parametrize("method", ["reversal", "stop-block"])
def test_in_simulation_mistakes_are_caught_and_honest_readings_left_alone(method):
    rows = list(truth.of_method(np.random.default_rng(5), method, runs=8))
    assert len(rows) >= 7
    for row in rows:
        assert row.kept, row
