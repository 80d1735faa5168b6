"""What was found on a machine before is looked for in its own series, not too far back."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta
from uuid import UUID

import pytest
from sqlalchemy import Engine

from analysis.methods import custom_method
from api.answers.earlier import found_before
from api.store.journal import Journal
from api.store.rows.series import series as series_row
from tests.api.conftest import ON_BOTH
from tests.api.entries import NOON, new_series, reading
from tests.api.store.test_facts import OWN

_ONE = math.atan(0.4 / 400)
"""The error of `_STRIP` by a reversal's formula, tan e = D / (2 L)."""
_STRIP = ("12.30", "12.70")


class Shop:
    """Series one after the other, an hour apart."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.journal = Journal(engine)
        self.at = NOON

    def series(self, *strips: tuple[str, ...], machine: str = "Saw", **settings) -> UUID:
        self.at += timedelta(hours=1)
        made = self.journal.add_machine(machine, "other")
        new = replace(new_series(made, key=settings.pop("key", "reversal")), **settings)
        series = self.journal.start(new, self.at)
        for strip in strips:
            self.journal.keep([reading(sent) for sent in strip])
        return series

    def before(self, series: UUID) -> float | None:
        with self.engine.connect() as store:
            found = found_before(store, series_row(store, series))
            return None if found is None else found.value

    def adjust(self, machine: str = "Saw", minutes: int = 1) -> None:
        at = self.at + timedelta(minutes=minutes)
        self.journal.add_setup_change(
            self.journal.add_machine(machine, "other"), "adjusted", at, None
        )


@pytest.fixture
def shop(engine: Engine) -> Shop:
    return Shop(engine)


def test_the_first_series_of_a_machine_has_none_before_it(shop):
    shop.series(*[_STRIP] * 3, machine="Sled")
    assert shop.before(shop.series(*[_STRIP] * 3)) is None


def test_the_mean_of_the_latest_series_is_found(shop):
    shop.series(*[("12.30", "11.30")] * 3)
    shop.series(_STRIP, ("12.30", "12.69"), ("12.30", "12.71"), ("12.30",))
    latest = shop.series()
    shop.series(*[("12.30", "11.30")] * 3)  # after it
    assert shop.before(latest) == pytest.approx(_ONE, rel=1e-6)


def test_two_trials_are_no_finding_but_one_further_back_may_be(shop):
    shop.series(*[_STRIP] * 2)
    assert shop.before(shop.series()) is None
    shop.series(*[_STRIP] * 3)
    shop.series(*[("12.30", "11.30")] * 2)
    assert shop.before(shop.series()) == pytest.approx(_ONE, rel=1e-9)


def test_only_the_ten_latest_series_are_looked_at(shop):
    shop.series(*[_STRIP] * 3)
    for _ in range(9):
        shop.series()
    assert shop.before(shop.series()) == pytest.approx(_ONE, rel=1e-9)
    assert shop.before(shop.series()) is None


@ON_BOTH
def test_a_setup_change_ends_what_was_found_until_the_machine_is_measured_again(shop):
    shop.series(*[_STRIP] * 3)
    shop.adjust("Sled")
    unchanged = shop.series()
    assert shop.before(unchanged) == pytest.approx(_ONE, rel=1e-9)
    shop.adjust()
    assert shop.before(shop.series()) is None
    assert shop.before(unchanged) == pytest.approx(_ONE, rel=1e-9)  # it was before the change
    shop.series(*[_STRIP] * 3)
    assert shop.before(shop.series()) == pytest.approx(_ONE, rel=1e-9)


@ON_BOTH
def test_a_method_that_shows_another_lean_is_no_finding_of_this_one(shop):
    shop.series(*[("19.00", "19.00", "19.10", "19.10")] * 3, key="half-turn")
    assert shop.before(shop.series()) is None
    tilted = shop.before(shop.series(key="half-turn"))
    assert tilted is not None
    assert abs(tilted) > 0


def test_a_length_has_no_finding_to_compare_with(shop):
    stop = {"key": "stop-block", "baseline": None, "baseline_nm": None}
    shop.series(("412.10",), ("412.11",), ("412.12",), **stop)
    assert shop.before(shop.series(**stop)) is None


def test_a_method_of_ones_own_is_compared_by_what_it_shows(shop):
    own = {"method": custom_method(OWN)}
    shop.series(*[_STRIP] * 3, **own)
    other = custom_method(OWN | {"key": "other-turn", "terms": [[2, 1]]})
    found = shop.before(shop.series(method=other))
    # tan e = D / L by a method whose piece shows the error once.
    assert found == pytest.approx(math.atan(0.4 / 200), rel=1e-9)
