"""A score that knows its calipers from their own studies."""

from __future__ import annotations

import math

import pytest

from tests.api.bench import Person
from tests.api.conftest import ON_BOTH


@pytest.fixture
def person(client) -> Person:
    return Person(client)


def line(series: dict, source: str, quantity: str = "angle") -> dict:
    budget = series["score"]["quantities"][quantity]["budget"]
    (found,) = [c for c in budget if c["source"].startswith(source)]
    return found


def spot(person, *sent: str, caliper: str = "six-inch", **settings) -> str:
    series = person.start(method="same-spot", baseline=None, **settings)
    person.press(*sent, caliper=caliper)
    return series


def block(person, size: str, *sent: str, caliper: str = "six-inch") -> str:
    series = person.start(method="known-block", baseline=size)
    person.press(*sent, caliper=caliper)
    return series


# sd of these five by hand: deviations from 12.31 are -1, 1, 0, 2, -2 hundredths, so
# sqrt(10 / 4) hundredths.
FIVE = ("12.30", "12.32", "12.31", "12.33", "12.29")
FIVE_SD = math.sqrt(10 / 4) / 100


def test_one_cut_is_as_sure_as_its_own_caliper_repeats(person):
    studied = spot(person, *FIVE)
    series = person.start()
    person.press("12.30", "12.70")
    found = person.series(series)
    hand = line(found, "caliper and hand")
    assert hand["standard_uncertainty"] == pytest.approx(math.sqrt(2) * FIVE_SD, rel=1e-9)
    assert hand["degrees_of_freedom"] == 4
    assert "same-spot series of 20" in hand["source"]
    assert "assumed" not in hand["source"]
    study = found["score"]["study"]
    assert study["repeatability_mm"] == pytest.approx(FIVE_SD, rel=1e-9)
    assert study["repeatability_degrees_of_freedom"] == 4
    assert study["same_spot"] == [studied]


def test_without_a_study_the_usual_is_assumed_and_said(person):
    series = person.start()
    person.press("12.30", "12.70")
    found = person.series(series)
    assert found["score"]["study"] is None
    assert "0.02 mm assumed" in line(found, "caliper and hand")["source"]


def test_the_trials_own_column_keeps_the_stated_default(person):
    series = person.start()
    person.press("12.30", "12.70")
    before = person.series(series)["trials"][0]["expanded_uncertainty_deg"]
    person.post(f"/api/series/{series}/finish")
    spot(person, *FIVE)
    assert person.series(series)["trials"][0]["expanded_uncertainty_deg"] == before
    assert person.series(series)["score"]["study"] is not None


def test_a_study_made_later_serves_where_there_is_none_before(person):
    series = person.start()
    person.press("12.30", "12.70")
    person.post(f"/api/series/{series}/finish")
    first = spot(person, *FIVE)
    spot(person, "12.30", "12.31")
    assert person.series(series)["score"]["study"]["same_spot"] == [first]


def test_several_studies_count_together_with_their_dates(person):
    both = [spot(person, *FIVE), spot(person, *FIVE)]
    series = person.start()
    person.press("12.30", "12.70")
    found = person.series(series)
    study = found["score"]["study"]
    assert study["same_spot"] == both
    # Two alike studies of one hand: nearly as one of both together.
    assert study["repeatability_degrees_of_freedom"] > 6
    assert study["repeatability_mm"] == pytest.approx(FIVE_SD, rel=0.1)
    assert study["repeatability_from"] <= study["repeatability_to"]
    assert "2 same-spot series, 20" in line(found, "caliper and hand")["source"]


@ON_BOTH
def test_another_persons_study_says_little_of_this_ones_hand(person):
    ida = person.start(method="same-spot", baseline=None, person="Ida")
    person.press(*FIVE)
    person.post(f"/api/series/{ida}/finish")
    shown = {}
    for who in ("Ida", "Otto"):
        series = person.start(person=who)
        person.press("12.30", "12.70")
        study = person.series(series)["score"]["study"]
        shown[who] = study["repeatability_degrees_of_freedom"]
    assert shown["Ida"] == 4
    assert shown["Otto"] < 2.5


def test_a_spot_pressed_once_says_nothing_yet_and_the_one_before_serves(person):
    told = spot(person, *FIVE)
    spot(person, "12.30")
    series = person.start()
    person.press("12.30", "12.70")
    assert person.series(series)["score"]["study"]["same_spot"] == [told]


def test_several_spots_are_pooled_not_mixed(person):
    spot(person, "12.30", "12.32", "15.00", "15.02", repeats=2)
    series = person.start()
    person.press("12.30", "12.70")
    study = person.series(series)["score"]["study"]
    assert study["repeatability_mm"] == pytest.approx(0.02 / math.sqrt(2), rel=1e-9)
    assert study["repeatability_degrees_of_freedom"] == 2


def test_a_spot_that_always_reads_the_same_makes_no_hand_without_error(person):
    spot(person, *["12.30"] * 10)
    series = person.start()
    person.press("12.30", "12.70")
    study = person.series(series)["score"]["study"]
    assert study["repeatability_mm"] == pytest.approx(0.01 / math.sqrt(12), rel=1e-9)
    assert study["repeatability_degrees_of_freedom"] == 9


@ON_BOTH
def test_of_two_calipers_that_repeat_unlike_less_is_known(person):
    both = [
        spot(person, *FIVE, caliper="eight-inch"),
        spot(person, *["12.30"] * 20, caliper="six-inch"),
    ]
    series = person.start()
    person.press("12.30", caliper="six-inch")
    person.press("12.70", caliper="eight-inch")
    study = person.series(series)["score"]["study"]
    assert study["same_spot"] == both
    assert study["repeatability_mm"] < FIVE_SD
    # Fewer degrees of freedom than either study has: neither is the hand that read the strip.
    assert study["repeatability_degrees_of_freedom"] < 4


@ON_BOTH
def test_one_caliper_that_nobody_studied_leaves_the_usual(person):
    spot(person, *FIVE)
    series = person.start()
    person.press("12.30")
    person.press("12.70", caliper="borrowed")
    found = person.series(series)
    assert found["score"]["study"] is None
    assert "assumed" in line(found, "caliper and hand")["source"]


def test_two_blocks_tell_the_scale_and_the_budget_names_them(person):
    blocks = [block(person, "25", "25.01", "25.01"), block(person, "75", "75.03", "75.03")]
    series = person.start()
    person.press("12.30", "12.70", "12.31", "12.69")
    found = person.series(series)
    # Errors of 0.01 and 0.03 mm over 50 mm; rounding to 0.01 mm at either block.
    estimate = 0.02 / 50
    u = math.sqrt(2) * 0.01 / math.sqrt(12) / 50
    scale = line(found, "caliper scale")
    assert scale["standard_uncertainty"] == pytest.approx(math.hypot(estimate, u), rel=1e-6)
    assert "known blocks" in scale["source"]
    assert found["score"]["study"]["known_block"] == blocks
    assert found["score"]["study"]["repeatability_mm"] is None


def test_a_length_between_two_blocks_is_as_sure_as_their_line_there(person):
    block(person, "25", "25.01", "25.01")
    block(person, "75", "75.01", "75.01")
    q = 0.01 / math.sqrt(12)
    for length in (25, 50, 75, 150):
        series = person.start(method="stop-block", baseline=None)
        person.press(f"{length}.00", f"{length}.01")
        found = person.series(series)
        zero, scale = (line(found, f"caliper {of}", "length") for of in ("zero", "scale"))
        # The line through two blocks, each good to the rounding, read off at the length.
        share = (length + 0.005 - 25) / 50
        at = math.hypot(1 - share, share) * q
        told = math.hypot(zero["contribution"], scale["contribution"])
        assert told == pytest.approx(math.hypot(0.01, at), rel=1e-6)


@ON_BOTH
def test_two_calipers_zeros_are_told_of_one_size(person):
    for caliper, size in (("six-inch", 75), ("eight-inch", 125)):
        block(person, "25", "25.00", "25.00", caliper=caliper)
        block(person, str(size), f"{size}.00", f"{size}.00", caliper=caliper)
    series = person.start(method="stop-block", baseline=None)
    person.press("50.00", caliper="six-inch")
    person.press("50.01", caliper="eight-inch")
    q = 0.01 / math.sqrt(12)
    # Known at 50 and at 75 mm, evaluated at 62.5 mm; over 50 mm the slope of a line is twice as
    # uncertain as over 100 mm.
    found = line(person.series(series), "caliper zero", "length")["standard_uncertainty"]
    assert found == pytest.approx(math.hypot(q / math.sqrt(2), math.sqrt(2) * q / 4), rel=1e-6)


def test_one_block_alone_cannot_tell_scale_from_zero(person):
    block(person, "25", "25.01", "25.01")
    series = person.start()
    person.press("12.30", "12.70")
    assert person.series(series)["score"]["study"] is None


@ON_BOTH
def test_the_latest_check_of_each_block_counts(person):
    block(person, "25", "25.09")
    block(person, "75", "75.00")
    later = block(person, "25", "25.00")
    series = person.start()
    person.press("12.30", "12.70")
    found = person.series(series)["score"]["study"]
    u = math.sqrt(2) * 0.01 / math.sqrt(12) / 50
    assert found["scale_u"] == pytest.approx(u, rel=1e-6)
    assert later in found["known_block"]


def test_a_study_does_not_lean_on_another_study(person):
    spot(person, *FIVE)
    again = spot(person, "12.30", "12.31")
    assert person.series(again)["score"]["study"] is None
