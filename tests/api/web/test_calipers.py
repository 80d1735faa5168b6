"""A study is begun from a caliper's page, and nobody has the server write files."""

from __future__ import annotations

import pytest

from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE
from tests.api.studying import NAME, studies


@pytest.fixture
def person(client) -> Person:
    return Person(client)


# ---------------------------------------------------------------- beginning one


def test_a_study_begins_on_the_calipers_own_bench_with_who_presses(client):
    person = Person(client, "north")
    person.press("12.30", caliper=NAME)
    body = {"method": "same-spot", "person": "Ada", "unit": "in"}
    series = person.post(f"/api/calipers/{NAME}/studies", body, 201)
    assert (series["bench"], series["person"], series["unit"]) == ("north", "Ada", "in")
    assert series["machine"]["kind"] == "caliper"
    assert person.get("/api/benches/north")["series"]["id"] == series["id"]


def test_a_known_block_needs_its_size_and_nothing_is_begun_without(person):
    person.press("12.30", caliper=NAME)
    for block_size in (None, "", "abc", "-5"):
        body = {"method": "known-block", "block": block_size}
        answer = person.client.post(f"/api/calipers/{NAME}/studies", json=body)
        assert answer.status_code == 422, block_size
    assert person.get("/api/machines") == []
    body = {"method": "known-block", "block": "25,4"}
    series = person.post(f"/api/calipers/{NAME}/studies", body, 201)
    assert series["baseline"] == "25,4"


def test_a_running_series_is_not_ended_by_surprise(person):
    person.press("12.30", caliper=NAME)
    running = person.start()
    body = {"method": "same-spot"}
    told = person.post(f"/api/calipers/{NAME}/studies", body, 409)
    assert "Window saw" in told["detail"]
    assert person.get("/api/benches/main")["series"]["id"] == running
    person.post(f"/api/calipers/{NAME}/studies", body | {"instead": True}, 201)
    assert person.series(running)["finished_at"] is not None


def test_a_name_with_a_slash_and_markup_is_a_name(person):
    name = "<script>/x " + "y" * 180
    person.press("12.30", "12.31", caliper=name)
    person.post(f"/api/calipers/{name}/studies", {"method": "same-spot"}, 201)
    person.press("12.30", "12.31", caliper=name)
    assert len(studies(person, name)["same_spot"]) == 1
    page = person.client.get(f"/calipers/{name}")
    assert page.status_code == 200
    assert "<script>/x" not in page.text


# ---------------------------------------------------------------- asked from afar


@ON_SQLITE
@pytest.mark.parametrize("scheme", ["spy", "alt", "hwgrep", "loop"])
def test_nobody_on_the_network_can_have_the_server_write_files(client, tmp_path, scheme):
    target = tmp_path / "written"
    spec = f"serial:{scheme}:///dev/null?file={target}"
    for path, body in (
        ("/api/calipers", {"spec": spec}),
        ("/api/identify", {"also": [spec]}),
    ):
        answer = client.post(path, json=body)
        assert answer.status_code == 422
        assert "--caliper" in answer.json()["detail"]
    assert not target.exists()
