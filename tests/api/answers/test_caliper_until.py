"""Until when a caliper may be trusted, over HTTP and on its page."""

from __future__ import annotations

import pytest

from benchmarks.truth import rows
from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE
from tests.api.studying import NAME, block, spot, studies


@pytest.fixture
def person(client):
    return Person(client)


def test_no_more_calipers_are_out_before_their_date_than_is_said():
    for row in rows.of("caliper_until", seed=4, short=True):
        assert row.kept, row


@ON_SQLITE
def test_a_caliper_has_a_date_for_its_block_and_for_its_spot(person, client):
    person.start()
    person.press("10.00", "10.01")
    of_block, of_spot = studies(person)["until"]
    assert of_block["until"] == "Now: it has not been checked by a known block yet."
    assert of_spot["until"] == "Now: it has not been checked on one spot yet."
    block(person, "25", "25.00", "25.01", "25.00", baseline_within="0.001")
    spot(person, "10.00", "10.01", "10.00", "10.01")
    address = f"/api/calipers/{NAME}"
    said = {"check_days": 200, "certificate": "No. 4711, March 2026"}
    changed = client.patch(address, json=said)
    assert {name: changed.json()[name] for name in said} == said
    of_block, of_spot = studies(person)["until"]
    assert of_block["of"] == "known block"
    assert of_block["until"].startswith("Check it by about ")
    assert "the interval that you set, 200 days" in of_spot["until"]
    assert of_block["note"] == (
        "Held to 0.020 mm of error, less 0.0010 mm by which the block's stated size may be off."
        " Certificate: No. 4711, March 2026"
    )
    page = client.get(f"/calipers/{NAME}").text
    assert of_block["until"] in page
    assert "Certificate: No. 4711" in page
    # One that was found wrong is due now; a block no better than the limit tells nothing.
    block(person, "25", "25.05", "25.05", "25.06")
    wrong, _ = studies(person)["until"]
    assert wrong["until"].startswith("Now: it read a known block wrong by more than its limit")
    block(person, "25", "25.00", "25.01", baseline_within="0.05")
    vague, _ = studies(person)["until"]
    assert "cannot tell whether the caliper keeps that" in vague["note"]
    assert vague["good_until"] is not None
    change = next(c for c in person.get("/api/changes") if c["field"] == "check_days")
    person.post(f"/api/changes/{change['id']}/undo")
    assert next(c for c in person.get("/api/calipers") if c["name"] == NAME)["check_days"] is None
    assert client.patch(address, json={"check_days": 0}).status_code == 422
