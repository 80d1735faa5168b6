"""A series' doubts, its drift, and its note."""

from __future__ import annotations

import math
from dataclasses import replace
from statistics import fmean
from uuid import UUID

import numpy as np
import pytest

from analysis.facts import SeriesFacts
from analysis.methods import METHODS
from api.answers.findings import doubted
from api.store.rows import changes
from tests.api.bench import Person
from tests.api.conftest import ON_BOTH


@pytest.fixture
def person(client) -> Person:
    return Person(client)


def degrees(deviation_mm: float, baseline_mm: float = 200) -> float:
    """A reversal's angle by its formula, tan e = D / (2 L)."""
    return math.degrees(math.atan(deviation_mm / (2 * baseline_mm)))


def strips(person, *deviations: str) -> None:
    """One strip for each deviation in hundredths of a millimetre."""
    for hundredths in deviations:
        person.press("12.00", f"{12 + int(hundredths) / 100:.2f}")


def test_a_strip_read_the_wrong_way_round_is_asked_about_and_still_counts(person):
    series = person.start(tolerance_deg="0.07")
    strips(person, "40", "41", "-40", "39", "42")
    found = person.series(series)
    (doubt,) = found["doubts"]
    assert (doubt["kind"], doubt["trials"]) == ("ends swapped", [3])
    assert "Strip 3" in doubt["sentence"]
    left = [degrees(d) for d in (0.40, 0.41, 0.39, 0.42)]
    without = doubt["without"]["angle"]
    assert without["trials"] == 4
    assert without["mean"] == pytest.approx(fmean(left), rel=1e-12)
    assert without["verdict"] == "good enough"
    counted = found["score"]["quantities"]["angle"]
    assert counted["trials"] == 5
    assert counted["mean"] == pytest.approx(fmean([*left, degrees(-0.40)]), rel=1e-12)
    assert counted["verdict"] == "cannot tell yet"


def test_the_doubt_goes_when_the_ends_are_swapped_back(person):
    series = person.start()
    strips(person, "40", "41", "-40", "39", "42")
    person.post("/api/benches/main/swap-ends", {"trial": 3})
    assert person.series(series)["doubts"] == []


@ON_BOTH
def test_a_trial_keeps_its_number_when_an_open_one_stands_before_it(person):
    series = person.start()
    strips(person, "40", "41", "40")
    first = person.series(series)["trials"][0]["readings"][0]["id"]
    strips(person, "-40", "39", "42")
    person.post("/api/benches/main/take-back", {"reading": first})
    (doubt,) = person.series(series)["doubts"]
    assert doubt["trials"] == [4]


def test_a_machine_found_out_of_square_before_makes_zeros_doubtful(person):
    person.start()
    strips(person, "41", "40", "42")
    series = person.start()
    strips(person, "1", "0", "-1", "1")
    (doubt,) = person.series(series)["doubts"]
    assert doubt["kind"] == "wrong turn"
    assert "0.059 degrees was found" in doubt["sentence"]  # atan(0.41 / 400)
    assert doubt["without"]["angle"]["mean"] is None


def test_zeros_after_an_adjustment_are_what_was_wanted(person):
    person.start()
    strips(person, "41", "40", "42")
    person.post("/api/setup-changes", {"machine": "Window saw", "kind": "adjusted"}, 201)
    series = person.start()
    strips(person, "1", "0", "-1", "1")
    assert person.series(series)["doubts"] == []


@pytest.mark.parametrize("unit", ["mm", "in"])
def test_a_stop_that_creeps_shows_as_drift_in_the_series_own_unit(person, unit):
    series = person.start(method="stop-block", unit=unit)
    person.press("150.00", "150.02", "150.05", "150.06", "150.09", "150.10")
    trend = person.series(series)["trend"]["length"]
    # Least squares by hand: x = -2.5..2.5, sum x^2 = 17.5, sum xy = 0.36 mm.
    assert trend["creep"] == pytest.approx(0.36 / 17.5 * 5, rel=1e-9)
    assert trend["early"] == pytest.approx((150 + 150.02 + 150.05) / 3, rel=1e-12)
    assert trend["late"] == pytest.approx((150.06 + 150.09 + 150.10) / 3, rel=1e-12)
    assert trend["shown"]
    assert trend["interval"]["low"] > 0
    assert (" mm from the first" if unit == "mm" else " thou from the first") in trend["sentence"]


def test_too_few_cuts_say_how_many_more_show_a_drift(person):
    series = person.start()
    strips(person, "40", "41")
    trend = person.series(series)["trend"]["angle"]
    assert trend["creep"] is None
    assert "at least 4" in trend["sentence"]


@pytest.mark.parametrize("method", ["same-spot", "known-block"])
def test_what_judges_no_machine_is_neither_doubted_nor_said_to_drift(person, method):
    series = person.start(method=method)
    person.press("12.00", "12.01", "12.02", "12.03", "13.04")
    found = person.series(series)
    assert (found["doubts"], found["trend"]) == ([], {})


@ON_BOTH
def test_each_reading_says_which_caliper_it_came_from_and_how(person):
    series = person.start()
    person.press("12.30")
    person.press("12.40", caliper="keyboard", origin="typed")
    (trial,) = person.series(series)["trials"]
    assert [(r["caliper"], r["origin"]) for r in trial["readings"]] == [
        ("six-inch", "button"),
        ("keyboard", "typed"),
    ]
    assert all(r["taken_at"].endswith("Z") for r in trial["readings"])


@ON_BOTH
def test_a_note_can_change_and_its_old_words_stay_on_record(person, server):
    series = person.start(note="new blade")
    changed = person.client.patch(f"/api/series/{series}", json={"note": "new blade, 60 teeth"})
    assert changed.status_code == 200
    assert changed.json()["note"] == "new blade, 60 teeth"
    assert person.client.patch(f"/api/series/{series}", json={"note": ""}).json()["note"] is None
    with server.reading() as store:
        kept = [(change.before, change.after) for change in changes.of_series(store, UUID(series))]
    assert kept == [("new blade", "new blade, 60 teeth"), ("new blade, 60 teeth", None)]


@pytest.mark.parametrize(
    ("body", "status", "says"),
    [
        ({"note": "x" * 4001}, 422, "4000"),
        ({"repeats": 2}, 422, "not a field"),
        ({}, 422, "note"),
    ],
)
def test_what_cannot_be_corrected_of_a_series_is_said(person, body, status, says):
    series = person.start()
    answer = person.client.patch(f"/api/series/{series}", json=body)
    assert answer.status_code == status
    assert says in answer.json()["detail"]


def test_a_note_needs_a_series(person):
    nowhere = "/api/series/00000000-0000-7000-8000-000000000000"
    assert person.client.patch(nowhere, json={"note": "x"}).status_code == 404


def test_a_strip_that_is_one_count_off_at_both_ends_is_no_outlier():
    widths = np.tile([10.0, 10.4], (12, 1))
    widths[7] += [-0.02, 0.02]
    facts = SeriesFacts(
        METHODS["reversal"],
        widths[:, :, np.newaxis],
        baseline_mm=200.0,
        resolution_mm=0.02,
        repeatability_mm=0.002,
        repeatability_df=9.0,
    )
    assert doubted(facts, range(1, 13)) == ()
    widths[7, 1] += 0.2
    (one,) = doubted(replace(facts, widths_mm=widths[:, :, np.newaxis]), range(1, 13))
    assert one.doubt.kind == "outlier"


def _now(person) -> list[tuple[str, list[int], list[str]]]:
    said = person.client.get("/api/benches/main").json()["now"]
    return [(now["kind"], now["trials"], now["acts"]) for now in said]


def test_a_doubt_is_said_while_the_strip_is_in_the_hand_and_not_for_ever(person):
    series = person.start()
    assert _now(person) == []
    strips(person, "40", "41", "-40")
    assert _now(person) == [("ends swapped", [3], ["swap ends"])]
    (doubt,) = person.series(series)["doubts"]
    assert doubt["now"]["sentence"].startswith("Strip 3 leans the other way")
    strips(person, "39")
    (doubt,) = person.series(series)["doubts"]
    assert (doubt["trials"], doubt["now"]) == ([3], None)
    assert _now(person) == []


def test_a_doubt_about_an_earlier_strip_is_said_with_the_strip_that_raises_it(person):
    person.start()
    strips(person, "-40", "41")
    assert _now(person) == []
    strips(person, "40")
    assert _now(person) == [("ends swapped", [1], ["swap ends"])]


def test_near_zero_where_an_error_was_found_asks_for_one_more_cut(person):
    before = person.start()
    strips(person, "40", "41", "39", "40")
    person.post(f"/api/series/{before}/finish", {})
    series = person.start()
    strips(person, "0", "1", "0")
    assert _now(person) == [("wrong turn", [1, 2, 3], [])]
    (doubt,) = person.series(series)["doubts"]
    assert "where 0.057 degrees was found before" in doubt["now"]["sentence"]
    assert "cut one more" in doubt["now"]["sentence"]
