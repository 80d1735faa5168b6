"""Whether an adjustment helped, over HTTP."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from fastapi.testclient import TestClient

from tests.api.answers.cutting import cut, degrees, refused
from tests.api.bench import Person
from tests.api.conftest import ON_BOTH


@pytest.fixture
def person(client: TestClient) -> Person:
    return Person(client)


@ON_BOTH
def test_an_adjustment_that_helped_is_said_to_have_and_by_how_much(person):
    before = cut(person, "Saw", (-60, -58, -61, -59, -60))
    person.post(
        "/api/setup-changes",
        {"machine": "Saw", "kind": "adjusted", "note": "half a turn", "at": str(datetime.now(UTC))},
        201,
    )
    after = cut(person, "Saw", (12, 14, 11, 12, 13))
    found = person.get(f"/api/compare/adjustment?before={before}&after={after}")
    was, now = (degrees(t) for t in ((60, 58, 61, 59, 60), (12, 14, 11, 12, 13)))
    assert found["answer"] == "helped"
    assert found["change"] == pytest.approx(now.mean() - was.mean(), rel=1e-6)
    assert found["interval"]["high"] < 0
    assert found["interval"]["low"] < found["change"] < found["interval"]["high"]
    assert "nearer to nominal" in found["sentence"]
    assert found["setup_changes"][0]["note"] == "half a turn"


def test_lengths_with_no_nominal_one_cannot_tell_what_nearer_means(person):
    stop = {"method": "stop-block", "baseline": None}
    before, after = person.start("Saw", **stop), person.start("Saw", **stop)
    address = f"/api/compare/adjustment?before={before}&after={after}"
    assert "no nominal length is known" in refused(person, address)


FAR, NEAR = (-60, -58, -61, -59, -60), (12, 14, 11, 12, 13)


def nearer_after(person, *kinds):
    """The answer where a saw cut nearer to nominal after something of these kinds happened."""
    before = cut(person, "Saw", FAR)
    for kind in kinds:
        person.post("/api/setup-changes", {"machine": "Saw", "kind": kind}, 201)
    after = cut(person, "Saw", NEAR)
    return person.get(f"/api/compare/adjustment?before={before}&after={after}")


@pytest.mark.parametrize(
    ("kinds", "done"),
    [
        (["moved"], "moved"),
        (["swung and back", "cleaned"], "cleaned"),
        (["moved", "cleaned", "moved"], "moved and cleaned"),
        (["other"], "changed in some other way"),
    ],
)
def test_what_is_not_done_to_cut_nearer_is_not_said_to_have_helped(person, kinds, done):
    found = nearer_after(person, *kinds)
    was, now = (abs(degrees(thou).mean()) for thou in (FAR, NEAR))
    assert found["answer"] == "nothing was adjusted"
    assert "helped" not in found["sentence"]
    assert found["sentence"] == (
        f"Between these series it was {done}, but no adjustment and no other blade is recorded: the"
        f" mean is {was:.4f} degrees from nominal before, {now:.4f} degrees after. If the machine"
        " was adjusted, say so on its page."
    )
    # What differs is told all the same.
    assert found["interval"]["low"] < found["change"] < found["interval"]["high"] < 0
    assert [c["kind"] for c in found["setup_changes"]] == kinds


@pytest.mark.parametrize("kinds", [["blade changed"], ["moved", "adjusted"]])
def test_another_blade_or_an_adjustment_among_others_may_have_helped(person, kinds):
    found = nearer_after(person, *kinds)
    assert found["answer"] == "helped"
    assert found["sentence"].startswith("It helped")


@pytest.mark.parametrize("kinds", [[], ["swung and back"]])
def test_where_nothing_was_done_nothing_is_said_to_have_helped(person, kinds):
    found = nearer_after(person, *kinds)
    assert found["answer"] == "nothing was changed"
    assert found["sentence"].startswith("Nothing is recorded between these series that could have")


def test_without_cuts_from_before_there_is_nothing_to_tell_apart(person):
    before = cut(person, "Saw", ())
    person.post("/api/setup-changes", {"machine": "Saw", "kind": "moved"}, 201)
    after = cut(person, "Saw", (12, 14))
    found = person.get(f"/api/compare/adjustment?before={before}&after={after}")
    assert found["answer"] == "nothing was adjusted"
    assert found["change"] is None
    assert found["sentence"] == (
        "Between these series it was moved, but no adjustment and no other blade is recorded. If"
        " the machine was adjusted, say so on its page."
    )
