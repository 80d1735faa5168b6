"""How many rows a pull will bring is said beforehand, or not at all."""

from __future__ import annotations

import pytest

from api.exports.expected import expected_rows
from api.exports.wanted import Wanted
from tests.api.bench import Person


@pytest.fixture
def person(client) -> Person:
    return Person(client)


def test_about_how_many_rows_will_come_is_said_first(person, client):
    def expected(what: str, **asked: str) -> str | None:
        found: str | None = client.get(f"/api/{what}", params=asked).headers.get("expected-rows")
        return found

    person.start()
    person.press("12.30", "12.40", "12.50")
    assert (expected("trials.csv"), expected("readings.jsonl")) == ("2", "3")
    assert expected("trials.csv", machine="Window saw", method="reversal") == "2"
    assert expected("trials.csv", method="stop-block") == "0"
    # Only reading them would tell.
    assert expected("readings.csv", machine="Window saw") is None
    assert expected("trials.csv", since="2026-01-01") is None
    assert expected("history.zip") is None
    following = {
        what: client.get(f"/api/{what}").links["next"]["url"].partition("after=")[2]
        for what in ("trials.csv", "readings.csv")
    }
    person.press("12.60")
    person.post("/api/benches/main/swap-ends")
    for what, after in following.items():
        assert expected(what, after=after) == "1", what


def test_an_empty_store_brings_none(engine):
    with engine.connect() as store:
        assert expected_rows(store, "trials", Wanted()) == 0
        assert expected_rows(store, "readings", Wanted()) == 0
        assert expected_rows(store, "trials", Wanted(after=0)) == 0


def test_a_trial_that_is_gone_is_expected_only_by_who_may_have_it(person, server):
    person.start()
    person.press("12.30")
    person.post("/api/benches/main/take-back")
    with server.engine.connect() as store:
        assert expected_rows(store, "trials", Wanted()) == 0
        assert expected_rows(store, "trials", Wanted(after=0)) == 1
