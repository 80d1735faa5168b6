"""How a result is known: by its budget and by a second way, over HTTP and on the page."""

from __future__ import annotations

import math
from uuid import uuid4

import numpy as np
import pytest

from tests.api.answers.measuring import measured, reversals
from tests.api.bench import Person
from tests.api.conftest import ON_BOTH


@pytest.fixture
def person(client):
    return Person(client)


@ON_BOTH
def test_both_ways_agree_where_the_budget_is_a_straight_line(person):
    series = measured(person, reversals(0.06, 0.03, 12, np.random.default_rng(4)))
    alone = person.series(series)["score"]["quantities"]["angle"]
    told = person.get(f"/api/series/{series}/known")
    angle = told["quantities"]["angle"]
    assert angle["validated"]
    assert angle["interval"] == angle["budget"]
    half = (angle["budget"]["high"] - angle["budget"]["low"]) / 2
    assert half == pytest.approx(alone["expanded_uncertainty"], rel=1e-9)
    drawn = (angle["drawn"]["high"] - angle["drawn"]["low"]) / 2
    assert drawn == pytest.approx(half, rel=0.05)
    assert angle["second_order_uncertainty"] == pytest.approx(
        angle["standard_uncertainty"], rel=1e-3
    )
    assert "the budget is taken" in angle["sentence"]
    # The same series says the same each time.
    assert person.get(f"/api/series/{series}/known") == told


def test_where_the_budget_fails_the_draws_are_taken_and_the_page_says_so(person, client):
    # A large error over a short base, whose length is the whole of the uncertainty.
    rows = [("10.00", "36.20"), ("10.00", "36.22"), ("10.00", "36.19")]
    series = measured(person, rows, inset="3", baseline="203.86")
    angle = person.get(f"/api/series/{series}/known")["quantities"]["angle"]
    assert not angle["validated"]
    assert angle["interval"] == angle["drawn"]
    assert "the interval of the draws is taken" in angle["sentence"]
    page = client.get(f"/series/{series}/known")
    assert page.status_code == 200
    assert angle["sentence"] in page.text
    assert f'href="/series/{series}/known"' in client.get(f"/series/{series}").text


def test_two_trials_give_the_draws_an_interval_but_no_standard_uncertainty(person, client):
    rows = [("10.00", "10.40"), ("10.01", "10.60")]
    series = measured(person, rows)
    angle = person.get(f"/api/series/{series}/known")["quantities"]["angle"]
    assert angle["drawn_uncertainty"] is None
    assert math.isfinite(angle["drawn"]["high"])
    assert "none with so few strips" in client.get(f"/series/{series}/known").text


def test_a_series_without_a_result_has_no_second_way_and_an_unknown_one_is_said_to_be_one(
    person, client
):
    series = person.start()
    assert person.get(f"/api/series/{series}/known")["quantities"] == {}
    assert "no result yet" in client.get(f"/series/{series}/known").text
    assert client.get(f"/api/series/{uuid4()}/known").status_code == 404
    assert client.get(f"/series/{uuid4()}/known").status_code == 404
