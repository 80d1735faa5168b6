"""Only series with complete trials are offered, the latest first."""

from __future__ import annotations

from datetime import timedelta
from uuid import UUID

import pytest
from sqlalchemy import Engine

from api.store.journal import Journal
from api.store.rows import measured
from tests.api.entries import NOON, new_series, reading

_WHOLE = {"reversal": 2, "half-turn": 4}
"""How many readings fill a trial of `new_series`."""


class Shop:
    """Series one after the other, an hour apart."""

    def __init__(self, engine: Engine) -> None:
        self.journal = Journal(engine)
        self.at = NOON

    def machine(self, name: str) -> UUID:
        return self.journal.add_machine(name, "other")

    def series(self, machine: str, readings: int, key: str = "reversal") -> UUID:
        self.at += timedelta(hours=1)
        made = self.journal.start(new_series(self.machine(machine), key=key), self.at)
        self.journal.keep([reading("12.30") for _ in range(readings)])
        return made


@pytest.fixture
def shop(engine: Engine) -> Shop:
    return Shop(engine)


def test_an_empty_store_offers_nothing(engine, shop):
    machine = shop.machine("Saw")
    with engine.connect() as store:
        assert measured.latest_measured(store, ["reversal"], 5) == []
        assert measured.latest_of_machine(store, machine, ["reversal"]) is None
        assert measured.latest_of_each_machine(store, ["reversal"]) == []
        assert measured.running(store) == set()


def test_a_series_is_offered_from_its_first_complete_trial_on(engine, shop):
    one, two = shop.series("Saw", 2), shop.series("Sled", 5)
    shop.series("Saw", 0)
    shop.series("Saw", 1)
    with engine.connect() as store:
        found = measured.latest_measured(store, ["reversal"], 5)
    assert [(s.id, s.machine_name, s.trials) for s in found] == [(two, "Sled", 2), (one, "Saw", 1)]


def test_only_methods_that_were_asked_for_and_no_more_than_the_limit(engine, shop):
    shop.series("Saw", _WHOLE["reversal"])
    turned = shop.series("Saw", _WHOLE["half-turn"], key="half-turn")
    latest = shop.series("Saw", _WHOLE["reversal"])
    with engine.connect() as store:
        assert [s.id for s in measured.latest_measured(store, ["half-turn"], 5)] == [turned]
        both = measured.latest_measured(store, ["half-turn", "reversal"], 2)
        assert [s.id for s in both] == [latest, turned]
        assert measured.latest_measured(store, [], 5) == []


def test_the_latest_of_a_machine_is_of_that_machine_and_method(engine, shop):
    first = shop.series("Saw", 2)
    turned = shop.series("Saw", 4, key="half-turn")
    shop.series("Saw", 1)
    shop.series("Sled", 2)
    saw = shop.machine("Saw")
    with engine.connect() as store:
        assert measured.latest_of_machine(store, saw, ["reversal"]) == first
        assert measured.latest_of_machine(store, saw, ["reversal", "half-turn"]) == turned
        assert measured.latest_of_machine(store, saw, ["roll"]) is None
        assert measured.latest_of_machine(store, UUID(int=1), ["reversal"]) is None


def test_of_each_machine_the_latest_with_two_complete_trials_counts(engine, shop):
    shop.series("Saw", 6)
    of_saw = shop.series("Saw", 4)
    of_sled = shop.series("Sled", 5)
    shop.series("Saw", 3)
    shop.series("Planer", 2)
    with engine.connect() as store:
        found = measured.latest_of_each_machine(store, ["reversal"])
    assert [(s.id, name) for s, name in found] == [(of_sled, "Sled"), (of_saw, "Saw")]
    assert found[0][0].started_at == NOON + timedelta(hours=3)


def test_what_a_bench_feeds_now_runs_until_it_is_finished(engine, shop):
    shop.series("Saw", 2)
    now = shop.series("Saw", 0)
    beside = shop.journal.start(new_series(shop.machine("Saw"), bench="side"))
    with engine.connect() as store:
        assert measured.running(store) == {now, beside}
    shop.journal.finish(now)
    with engine.connect() as store:
        assert measured.running(store) == {beside}
