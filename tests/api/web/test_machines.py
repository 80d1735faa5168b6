"""The list of machines over HTTP, page by page."""

from __future__ import annotations

import pytest
from fastapi.testclient import TestClient

from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE


def names(client: TestClient, address: str) -> tuple[list[str], str]:
    answer = client.get(address)
    assert answer.status_code == 200, answer.text
    return [m["name"] for m in answer.json()], answer.links.get("next", {}).get("url", "")


@ON_SQLITE
def test_a_shop_of_two_hundred_machines_is_on_one_page(client, server):
    for number in range(200):
        server.journal.add_machine(f"Saw {number:03d}", "other")
    found, following = names(client, "/api/machines")
    assert found == [f"Saw {number:03d}" for number in range(200)]
    assert following == ""


def test_pages_hold_every_machine_once_by_name(client, server):
    made = ["Saw", "attic saw", "Säge", "Sled 2", "Sled", "'", "planer"]
    for name in made:
        server.journal.add_machine(name, "other")
    whole, _ = names(client, "/api/machines")
    assert sorted(whole) == sorted(made)
    seen, address, pages = [], "/api/machines?limit=3", 0
    while address:
        found, address = names(client, address)
        assert len(found) <= 3
        seen += found
        pages += 1
    assert seen == whole
    assert pages == 3


def test_a_last_page_that_is_full_names_no_next_one(client, server):
    for name in ("a", "b", "c", "d"):
        server.journal.add_machine(name, "other")
    _, following = names(client, "/api/machines?limit=2")
    assert names(client, following) == (["c", "d"], "")


@ON_SQLITE
@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("limit=0", "limit:"),
        ("limit=501", "limit:"),
        ("after=7", "after: must be a UUID"),
        ("after=01939d3e-7c1a-7000-8000-000000000000", "take it from an earlier page"),
    ],
)
def test_a_page_that_cannot_be_says_which_field_is_wrong(client, query, words):
    answer = client.get(f"/api/machines?{query}")
    assert answer.status_code == 422
    assert words in answer.json()["detail"]


@ON_SQLITE
def test_what_has_not_happened_yet_is_no_setup_change(client):
    client.post("/api/machines", json={"name": "Saw", "kind": "other"})
    body = {"machine": "Saw", "kind": "adjusted", "at": "2190-05-03T12:00:00Z"}
    refused = client.post("/api/setup-changes", json=body)
    assert refused.status_code == 422
    assert "at: 3 May 2190 is in the future" in refused.json()["detail"]


@ON_SQLITE
@pytest.mark.parametrize(
    ("method", "settings", "readings", "said"),
    [
        ("blade-to-slot", {"baseline": "180"}, ("20.10", "20.90"), "Bring the back of the blade"),
        ("planed-thickness", {"baseline": "150"}, ("18.10", "18.90"), "table and cutterhead"),
        ("closing-miters", {"baseline": "60"}, ("0.90",), "further from square"),
        ("miter-pair", {"baseline": "250"}, ("5.10", "3.10"), "nearer to square by"),
        ("stop-block", {"baseline": None}, ("90.10",), "brush away sawdust"),
        ("run-out", {"baseline": None}, ("0.52", "0.59"), "No move follows from this number"),
    ],
)
def test_what_to_move_is_said_by_what_adjusts_the_method(client, method, settings, readings, said):
    person = Person(client)
    series = person.start(method=method, **settings)
    person.press(*readings * 3)
    machine = person.series(series)["machine"]["id"]
    assert said in client.get(f"/machine/{machine}/mend").text
