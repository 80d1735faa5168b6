"""Pulls over HTTP: what is told with them, what is refused, and what they hold no longer."""

from __future__ import annotations

import json

import pytest
from fastapi.testclient import TestClient

from api.web.limited import Pulls
from api.web.visitors import Visitor
from capture import records
from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE
from tests.api.exports.pulled import body
from tests.ptys import until


@pytest.fixture
def person(client: TestClient) -> Person:
    return Person(client)


def test_nothing_new_is_a_304_whatever_calipers_report(person, client, server):
    person.start()
    person.press("12.30", "12.40")
    paths = ["/api/trials.csv", "/api/trials.jsonl", "/api/readings.senml", "/api/history.zip"]
    tags = {path: client.get(path).headers["etag"] for path in paths}
    server.journal.report(records.CaliperState("main", "six-inch", "quiet"))
    for path, tag in tags.items():
        for theirs in (tag, tag.removeprefix("W/"), f'"x", {tag}', "*"):
            answer = client.get(path, headers={"If-None-Match": theirs})
            assert (answer.status_code, answer.content) == (304, b"")
            assert answer.headers["etag"] == tag
            assert "next" in answer.links
        assert client.get(path, headers={"If-None-Match": '"x"'}).status_code == 200
    person.press("12.50")
    for path, tag in tags.items():
        assert client.get(path, headers={"If-None-Match": tag}).status_code == 200


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


def test_a_pull_that_is_over_holds_no_connection(client, server):
    """More pulls than the pool has connections: the writer never waits for one."""
    person = Person(client)
    person.start()
    person.press("12.30", "12.40")
    for _ in range(20):
        client.get("/api/trials.csv")
        client.get("/api/trials.csv", headers={"If-None-Match": "*"})
        client.get("/api/trials.csv?after=x")
        client.get("/api/trials.csv?machine=nobody")
    assert until(lambda: server.engine.pool.checkedout() == 0)
    person.press("12.50")


def test_pulls_beyond_what_is_given_at_once_are_told_to_come_again(client):
    pulls, here = client.app.state.pulls, Visitor("local", "127.0.0.1", local=True)
    taken = 0
    while pulls.begin(here):
        taken += 1
    answer = client.get("/api/trials.csv")
    assert answer.status_code == 503
    assert "try again" in answer.json()["detail"]
    for _ in range(taken):
        pulls.end(here)
    assert client.get("/api/trials.csv").status_code == 200


def test_one_visitor_from_elsewhere_leaves_half_of_the_pulls_to_others():
    pulls = Pulls()
    far, other = Visitor("pass a", "10.0.0.7", pass_id="a"), Visitor("pass b", "10.0.0.7")
    assert [pulls.begin(far) for _ in range(3)] == [True, True, False]
    assert [pulls.begin(other) for _ in range(3)] == [True, True, False]
    assert not pulls.begin(Visitor("local", "127.0.0.1", local=True))
    pulls.end(far)
    assert pulls.begin(far)


@ON_SQLITE
@pytest.mark.parametrize(
    ("asked", "field"),
    [
        ("machine=Nobody's", "machine"),
        ("method=sawing", "method"),
        ("since=yesterday", "since"),
        ("after=x", "after"),
        ("after=7", "after"),
        ("after=-1", "after"),
    ],
)
def test_a_question_that_cannot_be_names_what_is_wrong(person, asked, field):
    for path in ("trials.csv", "readings.senml", "history.zip"):
        problem = json.loads(body(person, f"/api/{path}?{asked}", 422))
        assert problem["errors"][0]["field"] == field


@ON_SQLITE
def test_every_format_is_in_the_contract(client):
    paths = client.get("/openapi.json").json()["paths"]
    assert {p for p in paths if "." in p} >= {
        *(f"/api/trials.{form}" for form in ("csv", "jsonl", "xlsx", "parquet")),
        *(f"/api/readings.{form}" for form in ("csv", "jsonl", "parquet", "senml")),
        "/api/history.zip",
    }
