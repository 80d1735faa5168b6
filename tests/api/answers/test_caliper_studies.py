"""Studies of calipers over HTTP, against sums done by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.api.bench import Person
from tests.api.conftest import ON_BOTH
from tests.api.studying import NAME, block, spot, studies


@pytest.fixture
def person(client) -> Person:
    return Person(client)


# sd by hand: deviations from 12.31 are -1, 1, 0, 2, -2 hundredths: sqrt(10 / 4) hundredths.
FIVE = ("12.30", "12.32", "12.31", "12.33", "12.29")
FIVE_SD = math.sqrt(10 / 4) / 100


def test_one_person_on_one_spot_shows_repeatability_alone(person):
    series = spot(person, *FIVE)
    (study,) = studies(person)["same_spot"]
    assert study["series"] == [series]
    assert (study["spots"], study["readings"], study["people"]) == (1, 5, [])
    assert study["repeatability"]["sd"] == pytest.approx(FIVE_SD, rel=1e-9)
    assert study["repeatability_degrees_of_freedom"] == 4
    # Chi-square quantiles of 4 degrees of freedom, NIST e-Handbook 1.3.6.7.4: 0.484, 11.143.
    interval = study["repeatability"]["interval"]
    assert interval["low"] == pytest.approx(FIVE_SD * math.sqrt(4 / 11.143), rel=1e-3)
    assert interval["high"] == pytest.approx(FIVE_SD * math.sqrt(4 / 0.484), rel=1e-3)
    assert study["reproducibility"] is None
    assert study["distinct_categories"] is None
    assert study["tolerance_fraction"] is None


def test_the_share_of_a_tolerance_is_six_standard_deviations_over_its_whole_width(person):
    spot(person, *FIVE)
    (study,) = studies(person, query="?tolerance=0,2&unit=mm")["same_spot"]
    assert study["tolerance_fraction"] == pytest.approx(6 * FIVE_SD / 0.2, rel=1e-9)
    (study,) = studies(person, query="?tolerance=0.01&unit=in")["same_spot"]
    assert study["tolerance_mm"] == 0.254
    assert study["tolerance_fraction"] == pytest.approx(6 * FIVE_SD / 0.254, rel=1e-9)


def test_a_series_own_tolerance_counts_from_end_to_end(person):
    spot(person, *FIVE, tolerance_length="0.1", tolerance_nominal="12.3")
    (study,) = studies(person)["same_spot"]
    assert study["tolerance_mm"] == 0.2
    assert study["tolerance_fraction"] == pytest.approx(6 * FIVE_SD / 0.2, rel=1e-9)


@pytest.mark.parametrize("text", ["abc", "0", "-1"])
def test_a_tolerance_that_is_none_is_named(person, text):
    spot(person, *FIVE)
    answer = person.client.get(f"/api/calipers/{NAME}/studies?tolerance={text}")
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["field"] == "tolerance"


def test_two_people_on_one_spot_are_one_study_that_shows_whose_hand_differs(person):
    a, b = ("12.30", "12.31", "12.32"), ("12.40", "12.41", "12.42")
    first = spot(person, *a, person="Ada")
    second = spot(person, *b, person="Bo")
    (study,) = studies(person)["same_spot"]
    assert study["series"] == [first, second]
    assert study["people"] == ["Ada", "Bo"]
    within = 0.01  # each person's sd
    # One-way analysis of variance, ISO 5725-2, 7.4: (MS between - MS within) / n.
    between = 3 * np.var([12.31, 12.41], ddof=1)
    people = math.sqrt((between - within**2) / 3)
    assert study["repeatability"]["sd"] == pytest.approx(within, rel=1e-6)
    assert study["reproducibility"]["sd"] == pytest.approx(people, rel=1e-6)
    assert study["gauge"]["sd"] == pytest.approx(math.hypot(within, people), rel=1e-6)
    assert "people differ" in study["sentence"]


@pytest.mark.parametrize(
    "who", [("Ada", "Ada"), (None, None), ("Ada", None), (None, "Bo")], ids=str
)
def test_series_of_the_same_or_of_unnamed_people_are_studies_of_their_own(person, who):
    for name in who:
        spot(person, "12.30", "12.31", person=name)
    assert [s["people"] for s in studies(person)["same_spot"]] == [[w] if w else [] for w in who]


def test_several_people_and_spots_tell_how_many_sizes_are_told_apart(person):
    # Two people, three spots, each twice; the crossed analysis of variance done by numpy.
    x = np.array(
        [
            [[10.00, 10.01], [10.02, 10.02]],
            [[11.00, 11.02], [11.03, 11.04]],
            [[12.01, 12.00], [12.03, 12.02]],
        ]
    )
    for index, name in enumerate(("Ada", "Bo")):
        spot(person, *(f"{v:.2f}" for v in x[:, index].ravel()), repeats=2, person=name)
    (study,) = studies(person)["same_spot"]
    p, o, r = x.shape
    cell, part, who = x.mean(2), x.mean((1, 2)), x.mean((0, 2))
    ms_e = ((x - cell[:, :, None]) ** 2).sum() / (p * o * (r - 1))
    both = cell - part[:, None] - who[None, :] + x.mean()
    ms_i = r * (both**2).sum() / ((p - 1) * (o - 1))
    ms_o = p * r * ((who - x.mean()) ** 2).sum() / (o - 1)
    ms_p = o * r * ((part - x.mean()) ** 2).sum() / (p - 1)
    interaction = max(0.0, (ms_i - ms_e) / r)
    people = max(0.0, (ms_o - ms_i) / (p * r))
    parts = (ms_p - ms_i) / (o * r)
    gauge = ms_e + people + interaction
    assert study["spots"] == 3
    assert study["repeatability"]["sd"] == pytest.approx(math.sqrt(ms_e), rel=1e-6)
    assert study["reproducibility"]["sd"] == pytest.approx(
        math.sqrt(people + interaction), rel=1e-6
    )
    assert study["parts"]["sd"] == pytest.approx(math.sqrt(parts), rel=1e-6)
    assert study["distinct_categories"] == math.floor(math.sqrt(2 * parts / gauge))


def test_one_persons_spots_differ_by_their_size_and_not_by_people(person):
    spot(person, "12.30", "12.32", "15.00", "15.02", repeats=2)
    (study,) = studies(person, query="?tolerance=0.5")["same_spot"]
    within = 0.02 / math.sqrt(2)
    parts = math.sqrt((2 * np.var([12.31, 15.01], ddof=1) - within**2) / 2)
    assert study["repeatability"]["sd"] == pytest.approx(within, rel=1e-6)
    assert study["reproducibility"] is None
    assert study["parts"]["sd"] == pytest.approx(parts, rel=1e-6)
    assert study["distinct_categories"] == math.floor(math.sqrt(2) * parts / within)
    assert study["tolerance_fraction"] == pytest.approx(6 * within / 0.5, rel=1e-6)
    assert "people" not in study["sentence"]


@ON_BOTH
def test_inches_say_thou_and_the_numbers_are_millimetres_all_the_same(person):
    series = person.start(method="same-spot", baseline=None, unit="in")
    person.press("0.4860", "0.4870", "0.4865", unit="in", caliper=NAME)
    (study,) = studies(person)["same_spot"]
    assert study["series"] == [series]
    assert study["repeatability"]["sd"] == pytest.approx(0.0005 * 25.4, rel=1e-9)
    assert "thou" in study["sentence"]


@ON_BOTH
def test_one_press_says_what_is_needed(person):
    spot(person, "12.30")
    (study,) = studies(person)["same_spot"]
    assert study["repeatability"] is None
    assert "at least twice" in study["sentence"]


def test_readings_of_another_caliper_in_the_series_are_not_this_ones(person):
    person.start(method="same-spot", baseline=None)
    person.press("12.30", "12.32", caliper=NAME)
    person.press("14.00", "14.50", caliper="other")
    (study,) = studies(person)["same_spot"]
    assert study["repeatability"]["sd"] == pytest.approx(0.02 / math.sqrt(2), rel=1e-9)


def test_one_block_shows_the_error_at_its_size(person):
    series = block(person, "25", "25.01", "25.02", "25.03")
    found = studies(person)
    (check,) = found["known_block"]
    assert check["series"] == [series]
    (one,) = check["blocks"]
    assert one["size_mm"] == 25
    assert one["error"]["estimate"] == pytest.approx(0.02, rel=1e-9)
    # sd 0.01 over sqrt(3); t(0.975, 2) = 4.303, NIST e-Handbook 1.3.6.7.2. Readings within two
    # counts do not show that rounding averages out: 0.01 / sqrt(12) stands beside it.
    assert one["error"]["expanded_uncertainty"] == pytest.approx(
        4.303 * math.hypot(0.01 / math.sqrt(3), 0.01 / math.sqrt(12)), rel=1e-3
    )
    assert check["scale"] is None
    assert found["blocks_now"]["sentence"] == check["sentence"]


def test_blocks_of_two_sizes_read_together_show_offset_and_scale(person):
    sizes = [25, 25, 25, 75, 75, 75]
    read = [25.00, 25.01, 25.02, 75.05, 75.06, 75.04]
    block(person, "25", *(f"{v:.2f}" for v in read[:3]))
    block(person, "75", *(f"{v:.2f}" for v in read[3:]))
    (check,) = studies(person)["known_block"]
    slope, offset = np.polyfit(sizes, np.subtract(read, sizes), 1)
    assert check["offset"]["estimate"] == pytest.approx(offset, rel=1e-6)
    assert check["scale"]["estimate"] == pytest.approx(slope, rel=1e-6)
    assert [b["size_mm"] for b in check["blocks"]] == [25, 75]


def test_a_block_read_again_begins_a_check_and_the_latest_of_each_size_is_now(person):
    block(person, "25", "25.09")
    block(person, "75", "75.00")
    again = block(person, "25", "25.00")
    found = studies(person)
    assert [len(c["series"]) for c in found["known_block"]] == [2, 1]
    assert again in found["blocks_now"]["series"]
    assert found["blocks_now"]["offset"]["estimate"] == pytest.approx(0.0, abs=1e-9)


@ON_BOTH
def test_the_record_of_a_caliper_tells_its_latest_studies(person):
    spot(person, *FIVE)
    later = spot(person, "12.30", "12.30", "12.31")
    block(person, "25", "25.01", "25.01")
    (found,) = person.get("/api/calipers")
    assert found["same_spot"]["series"] == [later]
    assert found["known_block"]["blocks"][0]["size_mm"] == 25
