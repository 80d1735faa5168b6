"""A finished series is continued over HTTP: nothing of it is lost, no other is disturbed."""

from __future__ import annotations

import csv
import io
from uuid import UUID, uuid4

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import text

from api.server import Server
from api.store import doctor
from api.store.engine import open_engine
from api.store.journal import Journal
from api.store.rows import events
from api.web.live_messages import messages
from tests.api.bench import Person


@pytest.fixture
def person(client: TestClient) -> Person:
    return Person(client)


def in_order(server: Server) -> bool:
    with server.reading() as store:
        return list(doctor.findings(store)) == []


def test_a_series_finished_too_early_takes_the_next_reading_where_it_was(person, server):
    series = person.start()
    person.press("12.30", "12.40", "12.50")
    before = person.series(series)
    person.post(f"/api/series/{series}/finish")
    resumed = person.post(f"/api/series/{series}/resume")
    assert resumed["finished_at"] is None
    assert resumed["trials"] == before["trials"]  # their ids and values too
    bench = person.get("/api/benches/main")
    assert (bench["series"]["id"], bench["next"]["trial"], bench["next"]["place"]) == (
        series,
        2,
        "open end",
    )
    person.press("12.60")
    assert person.sent(series) == [["12.30", "12.40"], ["12.50", "12.60"]]
    assert person.post(f"/api/series/{series}/finish")["finished_at"] is not None
    assert in_order(server)


def test_after_other_series_and_another_process_it_goes_on_as_well(person, server, store_url):
    first = person.start()
    readings = person.press("12.30", "12.40", "12.50")
    second = person.start(strip_side="right")  # ends the first one without a word
    person.press("9.10")
    person.post(f"/api/series/{second}/finish")
    person.press("7.70")  # belongs to none
    engine = open_engine(store_url)
    other = Journal(engine)
    for series in (first, second, first):
        other.resume(UUID(series))
        other.finish(UUID(series))
    other.resume(UUID(first))
    engine.dispose()
    person.press("12.61")
    person.post("/api/benches/main/take-back", {"reading": readings[0]["id"]})
    person.press("12.70", "12.80")
    person.post("/api/benches/main/take-back")
    assert person.sent(first) == [["12.40"], ["12.50", "12.61"], ["12.70"]]
    assert person.sent(second) == [["9.10"]]
    aside = person.series(first)["aside"]
    assert [(r["sent"], r["why"]) for r in aside] == [
        ("12.30", "taken back"),
        ("12.80", "taken back"),
    ]
    assert in_order(server)


def test_a_repeat_that_was_set_aside_can_still_be_counted(person, server):
    series = person.start()
    first = person.reading("12.30")
    twice = person.reading("12.30", taken_at=first["taken_at"])
    person.post("/api/readings", [first, twice])
    person.post(f"/api/series/{series}/finish")
    person.post(f"/api/series/{series}/resume")
    person.post("/api/benches/main/restore", {"reading": twice["id"]})
    assert person.sent(series) == [["12.30", "12.30"]]
    assert in_order(server)


def test_while_another_series_runs_there_it_is_refused_and_the_other_is_named(person, server):
    series = person.start("Window saw")
    person.start("Blue sled", method="stop-block", baseline=None)
    before = person.series(series)
    refused = person.post(f"/api/series/{series}/resume", status=409)
    assert "a series of Blue sled by Stop block runs on bench main; finish it" in refused["detail"]
    assert person.series(series)["finished_at"] == before["finished_at"]
    # What runs on other benches does not matter.
    elsewhere = Person(person.client, "by the door").start()
    assert person.post(f"/api/series/{elsewhere}/resume")["finished_at"] is None
    assert in_order(server)


def test_one_that_runs_is_answered_as_it_is_and_the_log_stays(person, server):
    series = person.start()
    person.press("12.30")
    before = person.series(series), person.get("/api/benches/main")
    assert person.post(f"/api/series/{series}/resume") == before[0]
    assert (person.series(series), person.get("/api/benches/main")) == before
    with server.reading() as store:
        assert store.execute(text("SELECT count(*) FROM acts")).scalar() == 1


def test_a_series_that_is_not_there_is_404(person):
    person.post(f"/api/series/{uuid4()}/resume", status=404)
    person.post("/api/series/none/resume", status=422)


def test_the_bench_tells_what_it_fed_last_until_something_runs(person):
    assert person.get("/api/benches/main")["ended"] is None
    series = person.start()
    assert person.get("/api/benches/main")["ended"] is None
    ended = person.post(f"/api/series/{series}/finish")
    told = person.get("/api/benches/main")["ended"]
    assert told == {k: ended[k] for k in told}
    person.post(f"/api/series/{series}/resume")
    bench = person.get("/api/benches/main")
    assert (bench["ended"], bench["series"]["id"]) == (None, series)


def test_pages_that_follow_the_bench_hear_that_it_runs_again(person, server):
    series = person.start()
    person.post(f"/api/series/{series}/finish")
    seen = person.get("/api/benches/main")["last_event"]
    person.post(f"/api/series/{series}/resume")
    with server.reading() as store:
        found = events.events_after(store, "main", seen)
        (message,) = messages(store, found, lambda _: [], lambda _: False)
    told = message.text.decode()
    assert "event: bench" in told
    assert f'"series":{{"id":"{series}"' in told
    assert '"ended":null' in told


def test_readings_are_exported_under_the_series_that_ran_when_they_were_kept(person):
    series = person.start()
    person.press("12.30")
    person.post(f"/api/series/{series}/finish")
    person.press("7.70")
    person.post(f"/api/series/{series}/resume")
    person.press("12.40")
    rows = csv.DictReader(io.StringIO(person.client.get("/api/readings.csv").text))
    assert [(r["sent"], r["series_id"]) for r in rows] == [
        ("12.30", series),
        ("7.70", ""),
        ("12.40", series),
    ]
