"""How a machine is now, over HTTP: what was found last, and whether that still holds."""

from __future__ import annotations

import numpy as np
import pytest

from tests.api.answers.measuring import (
    history,
    measured,
    reversals,
)
from tests.api.bench import Person
from tests.api.conftest import ON_BOTH


@pytest.fixture
def person(client):
    return Person(client)


def test_how_it_stands_is_what_was_found_last_and_how_old_that_is(person):
    rng = np.random.default_rng(9)
    measured(person, reversals(0.2, 0.02, 5, rng), tolerance_deg="0.05")
    last = measured(person, reversals(0.01, 0.02, 5, rng), tolerance_deg="0.05")
    standing = history(person)["standing"]
    assert (standing["verdict"], standing["series"]) == ("good enough", last)
    assert "Checked today" in standing["sentence"]


def test_after_a_setup_change_nothing_is_known_until_it_is_measured_again(person):
    rng = np.random.default_rng(10)
    measured(person, reversals(0.01, 0.02, 5, rng), tolerance_deg="0.05")
    change = person.post(
        "/api/setup-changes", {"machine": "Window saw", "kind": "blade changed"}, 201
    )
    standing = history(person)["standing"]
    assert standing["verdict"] is None
    assert standing["setup_change"] == change["id"]
    assert "given another blade" in standing["sentence"]
    assert "how it stands now is not known" in standing["sentence"]
    measured(person, reversals(0.01, 0.02, 5, rng), tolerance_deg="0.05")
    assert history(person)["standing"]["verdict"] == "good enough"


@ON_BOTH
def test_what_asks_for_something_to_be_done_comes_before_what_is_fine(person):
    rng = np.random.default_rng(11)
    bad = measured(
        person, [("10.00", "10.60"), ("10.01", "10.60"), ("10.00", "10.61")], method="half-turn",
        baseline=None, thickness="38", tolerance_deg="0.1",
    )  # fmt: skip
    measured(person, reversals(0.0, 0.02, 5, rng), tolerance_deg="0.05")
    standing = history(person)["standing"]
    assert (standing["verdict"], standing["series"]) == ("needs adjusting", bad)
    assert standing["quantity"] == "tilt"
