"""What two series must have in common for a question of before and after, over HTTP."""

from __future__ import annotations

import pytest
from fastapi.testclient import TestClient

from tests.api.answers.cutting import cut, refused
from tests.api.bench import Person
from tests.api.conftest import ON_BOTH


@pytest.fixture
def person(client: TestClient) -> Person:
    return Person(client)


@pytest.mark.parametrize("question", ["return", "adjustment"])
def test_before_and_after_are_of_one_machine_and_in_this_order(person, question):
    first, second = cut(person, "Saw", (10, 11)), cut(person, "Saw", (10, 12))
    other = cut(person, "Sled", (10, 11))
    address = f"/api/compare/{question}?before="
    assert "change them round" in refused(person, f"{address}{second}&after={first}")
    assert "another machine" in refused(person, f"{address}{first}&after={other}")
    assert "show angle only" in refused(person, f"{address}{first}&after={second}&quantity=tilt")


@ON_BOTH
def test_what_was_not_the_same_before_and_after_is_said(person):
    before = cut(person, "Saw", (10, 11))
    after = person.start("Saw", baseline="6", unit="in", inset="0.1")
    person.press("0.500", "0.510", "0.500", "0.511", unit="in", caliper="other one")
    found = person.get(f"/api/compare/return?before={before}&after={after}")
    assert any("caliper, length of the cut, inset of the jaws" in note for note in found["notes"])


@ON_BOTH
def test_a_reading_that_was_taken_back_is_of_no_other_caliper(person):
    before, after = cut(person, "Saw", (10, 11)), cut(person, "Saw", (10, 12))
    person.post(f"/api/series/{after}/resume")
    person.press("12.30")
    person.post("/api/benches/main/take-back")
    found = person.get(f"/api/compare/return?before={before}&after={after}")
    assert not any("caliper" in note for note in found["notes"])
    assert [s["calipers"] for s in (found["before"], found["after"])] == [["six-inch"]] * 2
