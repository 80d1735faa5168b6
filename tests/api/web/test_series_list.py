"""The list of series over HTTP: narrowed, and nothing lost between two pages."""

from __future__ import annotations

import pytest
from fastapi.testclient import TestClient

from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE


@pytest.fixture
def person(client: TestClient) -> Person:
    return Person(client)


def ids(page):
    return [line["id"] for line in page["series"]]


def test_pages_hold_every_series_once_the_latest_first(person):
    begun = [person.start() for _ in range(7)]
    seen, address = [], "/api/series?limit=3"
    while address:
        answer = person.client.get(address)
        seen += ids(answer.json())
        link = answer.headers.get("Link", "")
        assert bool(link) == (answer.json()["before"] is not None)
        address = link.partition(">")[0].removeprefix("<")
    assert seen == begun[::-1]


def test_a_list_can_be_of_one_machine_and_one_method(person):
    saw = person.start("Saw")
    person.start("Sled")
    other = person.start("Saw", method="five-cut")
    machine = person.series(saw)["machine"]["id"]
    assert ids(person.get("/api/series?machine=Saw")) == [other, saw]
    assert ids(person.get(f"/api/series?machine={machine}&method=reversal")) == [saw]


def test_a_shop_without_series_gets_an_empty_list(person):
    assert person.get("/api/series") == {"series": [], "before": None}


@ON_SQLITE
@pytest.mark.parametrize(
    ("query", "status", "words"),
    [
        ("machine=None%20such", 404, "there is no machine None such; there is none yet"),
        ("method=guess", 422, "method: there is no method 'guess'; use one of reversal"),
        ("limit=0", 422, "limit:"),
        ("before=7", 422, "before: must be a UUID"),
        ("before=01939d3e-7c1a-7000-8000-000000000000", 422, "take it from an earlier page"),
    ],
)
def test_a_list_that_cannot_be_says_which_field_is_wrong(person, query, status, words):
    answer = person.client.get(f"/api/series?{query}")
    assert answer.status_code == status
    assert words in answer.json()["detail"]
