"""How many rows a pull will bring is said beforehand, or not at all."""

from __future__ import annotations

import pytest

from api.exports.expected import expected_rows
from api.exports.wanted import Wanted
from tests.api.bench import Person


@pytest.fixture
def person(client) -> Person:
    return Person(client)


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
