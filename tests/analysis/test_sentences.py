"""The words: digits that match the uncertainty, and sentences a person can act on."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis import sentences
from analysis.interval import Interval
from analysis.spread import OwnScatter

# The pages follow the same cases: tests/whole/test_numbers.py.
DIGITS = json.loads(
    (Path(__file__).parents[2] / "fixtures/numbers/digits.json").read_text(encoding="utf-8")
)["cases"]
MEASURES = json.loads(
    (Path(__file__).parents[2] / "fixtures/numbers/measures.json").read_text(encoding="utf-8")
)["cases"]
LEANS = ("the open end leans right", "the open end leans left")


@pytest.mark.parametrize(
    ("uncertainty", "decimals"),
    [
        (0.011, 3), (0.0109, 3), (0.099, 3), (0.0996, 2), (0.1, 2), (0.0949, 3), (1.0, 1),
        (9.96, 0), (15.0, 0), (250.0, 0), (3.1e-9, 6), (0.0, 6), (math.nan, 6),
    ],
)  # fmt: skip
def test_an_uncertainty_shows_two_digits(uncertainty, decimals):
    assert sentences.decimals_for(uncertainty) == decimals


@pytest.mark.parametrize("case", DIGITS, ids=lambda case: case["shown"])
def test_value_and_uncertainty_are_shown_as_the_table_of_cases_says(case):
    shown = sentences.with_uncertainty(case["value"], case["uncertainty"], "mm")
    assert str(shown) == f"{case['shown']} mm"


@given(st.floats(-100, 100), st.floats(1e-4, 9))
def test_a_value_shows_the_digits_of_its_uncertainty(value, u):
    text = str(sentences.with_uncertainty(value, u, "mm"))
    shown, doubt = text.removesuffix(" mm").split(" ± ")
    assert len(shown.partition(".")[2]) == len(doubt.partition(".")[2])
    assert len(doubt.replace(".", "").lstrip("0")) == 2
    assert abs(float(shown) - value) <= 0.51 * 10 ** -len(doubt.partition(".")[2])


def test_nothing_is_ever_minus_zero():
    assert sentences.number(-0.0004, 2) == "0.00"
    assert str(sentences.with_uncertainty(-0.0004, 0.1, "mm")) == "0.00 ± 0.10 mm"


def test_a_taper_is_given_in_the_units_of_the_shop():
    # 1 thou per foot is atan(0.001 / 12): common practice, no source.
    assert str(sentences.taper(math.atan(0.013 / 12), 1e-5, "in")) == "13.0 thou per foot"
    assert str(sentences.taper(math.radians(-0.05), 1e-4)) == "0.262 mm per 300 mm"
    assert str(sentences.taper(math.radians(0.05), 3e-3)) == "0.26 mm per 300 mm"


def test_an_angle_says_how_much_which_way_how_sure_and_the_verdict():
    said = sentences.angle_sentence(
        math.radians(0.0523), math.radians(0.0114), LEANS, 5, "needs adjusting"
    )
    assert said == (
        "The open end leans right: 0.052 ± 0.011 degrees (0.274 mm per 300 mm), at 95 %, "
        "from 5 strips: needs adjusting."
    )
    one = sentences.angle_sentence(math.radians(-0.0523), math.radians(0.08), LEANS, 1, None)
    assert one == (
        "The open end leans left, if at all: 0.052 ± 0.080 degrees (0.27 mm per 300 mm), "
        "at 95 %, from 1 strip: give a tolerance for a verdict."
    )
    assert sentences.angle_sentence(0.0, 0.001, LEANS, 2, None).startswith(
        "It leans neither way: 0.000 ± 0.057 degrees"
    )


@pytest.mark.parametrize("case", MEASURES, ids=lambda case: case["text"])
def test_a_measure_is_written_as_the_table_of_cases_says(case):
    measure = sentences.Measure(case["value"], case["uncertainty"], case["unit"], case["decimals"])
    assert str(measure) == case["text"]


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0123, "0.012 mm"),
        (0.1, "0.1 mm"),
        (12.3, "12 mm"),
        (123.4, "120 mm"),
        (1e-5, "0.00001 mm"),
    ],
)  # fmt: skip
def test_a_size_by_itself_is_told_to_two_digits(value, text):
    assert str(sentences.rounded(value, "mm")) == text


def test_a_sentence_knows_its_measures_in_full():
    said = sentences.angle_sentence(
        math.radians(0.0523), math.radians(0.0114), LEANS, 5, "needs adjusting"
    )
    assert "".join(map(str, said.parts)) == said
    degrees, taper = (part for part in said.parts if isinstance(part, sentences.Measure))
    assert (degrees.value, degrees.uncertainty) == pytest.approx((0.0523, 0.0114), rel=1e-12)
    assert (degrees.unit, degrees.decimals) == ("degrees", 3)
    assert (taper.unit, taper.uncertainty) == ("mm per 300 mm", None)
    assert taper.value == pytest.approx(300 * math.tan(math.radians(0.0523)), rel=1e-12)
    longer = sentences.Sentence(said, " ", sentences.length(1.0, 0.1))
    assert longer == f"{said} 1.00 ± 0.10 mm"
    assert longer.parts == (*said.parts, " ", sentences.length(1.0, 0.1))


def test_what_arithmetic_leaves_of_a_zero_leans_nowhere():
    assert sentences.direction(2.2e-17, 6e-5, LEANS) == "it leans neither way"
    assert sentences.direction(1e-9, 6e-5, LEANS) == f"{LEANS[0]}, if at all"
    assert sentences.direction(1e-300, 0.0, LEANS) == LEANS[0]


def test_every_sentence_fits_a_phone():
    longest = sentences.angle_sentence(
        1e-3, 2e-3, ("boards come out thicker at the right edge",) * 2, 100, "cannot tell yet"
    )
    assert len(longest) < 180


def test_lengths_are_spoken_in_the_unit_asked_for():
    assert str(sentences.length(25.4, 0.0254, "in")) == "1.0000 ± 0.0010 in"
    said = sentences.length_sentence(150.012, 0.014, 0.0123, 8, "good enough")
    assert said == (
        "150.012 ± 0.014 mm at 95 %, repeating to 0.012 mm (one standard deviation), "
        "from 8 strips: good enough."
    )
    assert "repeating" not in sentences.length_sentence(150.0, 0.04, None, 1, None)
    assert sentences.length_sentence(150.0, 0.04, 0.0, 3, "good enough") == (
        "150.000 ± 0.040 mm at 95 %, repeating within the caliper's last digit, from 3 strips: "
        "good enough."
    )


def test_repeatability_and_the_known_block_have_their_own_words():
    say = sentences.repeatability_sentence
    assert "at least twice" in say(None, 1)
    assert "alike" in say(0.0, 5)
    # A hand repeats to about a thou: common practice, no source.
    assert say(0.0254, 10, "in") == (
        "Caliper and hand repeat to 0.0010 in (one standard deviation of a reading), "
        "from 10 readings."
    )
    assert "too short" in sentences.block_sentence(-0.04, 0.01, 5)
    assert "if at all" in sentences.block_sentence(0.004, 0.01, 5)


def test_words_for_counts():
    assert sentences.times(2) == "twice"
    assert sentences.times(5) == "5 times"
    assert sentences.cuts(1) == "1 strip"
    assert sentences.cuts(0) == "0 strips"


@pytest.mark.parametrize(
    ("own", "says"),
    [
        (OwnScatter(0.0, Interval(0.0, 4e-4), True), "They hide the machine's own scatter"),
        (OwnScatter(2e-4, Interval(0.0, 6e-4), True), "could explain it all"),
        (OwnScatter(None, Interval(0.0, 6e-4), True), "is at most 0.034 degrees for a single cut"),
        (OwnScatter(None, Interval(0.0, 6e-4), True), "press 10 times on one marked spot"),
        (OwnScatter(None, Interval(1e-4, 6e-4), False), "is 0.0057 degrees to 0.034 degrees"),
        (
            OwnScatter(2e-4, Interval(1e-4, 6e-4), False),
            "own scatter is 0.011 degrees for a single cut (0.0057",
        ),
    ],
)
def test_whose_scatter_it_is_is_said_as_far_as_it_is_known(own, says):
    told = sentences.scatter_sentence(3e-4, own, "rad", "mm")
    assert says in told
    assert told.startswith("Strips scatter by 0.017 degrees (one standard deviation)")
    assert "-" not in told
