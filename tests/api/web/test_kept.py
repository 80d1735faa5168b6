"""A kept answer is given only while nothing has happened that it rests on."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from uuid import UUID

import pytest
from sqlalchemy import Engine, create_engine, event

from api.answers import series as answers
from api.server import Server
from api.store.engine import open_engine
from api.store.journal import Journal
from api.store.rows.machines import machines
from api.web import convert, kept
from api.web.kept import KeptAnswers, standings_of
from tests.api.bench import Person
from tests.api.entries import reading


@pytest.fixture
def person(client) -> Person:
    return Person(client)


@contextmanager
def statements(engine: Engine) -> Iterator[list[str]]:
    """The statements that the engine runs meanwhile."""
    ran: list[str] = []

    def note(_connection, _cursor, statement, *_rest) -> None:
        ran.append(statement)

    event.listen(engine, "before_cursor_execute", note)
    yield ran
    event.remove(engine, "before_cursor_execute", note)


def anew(server: Server, series: str) -> str:
    with server.reading() as store:
        return convert.series_out(answers.series(store, UUID(series))).model_dump_json()


def test_after_whatever_happens_the_answer_is_that_of_now(person, server, client):
    series = person.start()

    def same() -> None:
        for _ in range(2):
            answer = client.get(f"/api/series/{series}")
            assert answer.text == anew(server, series)
            latest = person.get("/api/benches/main")["last_event"]
            assert int(answer.headers["Last-Event-ID"]) == latest

    same()
    person.press("12.30", "12.41", "12.30", "12.44", "12.31")
    same()
    person.post("/api/benches/main/take-back")
    same()
    person.post("/api/benches/main/swap-ends")
    same()
    (aside,) = person.press("0.00")
    same()
    assert person.series(series)["aside"][-1]["id"] == aside["id"]
    client.patch(f"/api/series/{series}", json={"note": "after the rain"})
    same()
    assert person.series(series)["note"] == "after the rain"
    person.post(f"/api/series/{series}/finish")
    same()
    assert person.series(series)["finished_at"] is not None
    spot = {"method": "same-spot", "baseline": None, "strip_side": "left"}
    person.start("Window saw", **spot)
    person.press("12.30", "12.31", "12.30", "12.32", "12.30", "12.31")
    person.post(f"/api/series/{series}/resume", status=409)
    same()
    assert person.series(series)["score"]["study"] is not None


def test_a_setup_change_is_heard_of_by_what_rests_on_the_series_before_it(person, server, client):
    person.start()
    person.press("10.00", "11.00", "12.00", "13.00", "14.00", "15.00")
    series = person.start()
    person.press("10.00", "10.00", "12.00", "12.00", "14.00", "14.00")
    assert [d["kind"] for d in person.series(series)["doubts"]] == ["wrong turn"]
    assert client.get(f"/api/series/{series}").text == anew(server, series)
    before = anew(server, series)
    machine = person.series(series)["machine"]["id"]
    at = person.series(series)["started_at"]
    change = {"machine": machine, "kind": "adjusted", "at": at}
    person.post("/api/setup-changes", change, 201)
    assert anew(server, series) != before
    assert person.series(series)["doubts"] == []
    assert client.get(f"/api/series/{series}").text == anew(server, series)


def test_the_list_of_another_day_has_its_ages_and_dates_and_reads_no_machine_again(
    person, server, client, monkeypatch
):
    series = person.start("Window saw", tolerance_deg="0.5")
    person.press(*["12.30", "12.31"] * 5)
    person.post(f"/api/series/{series}/finish")
    year = datetime.now(UTC).year + 1
    said = []
    # In one month, since the studies of a running series' calipers are known by the month.
    for day in (2, 27):
        monkeypatch.setattr(kept, "now", lambda day=day: datetime(year, 3, day, 12, tzinfo=UTC))
        with statements(server.engine) as ran:
            ((stop,),) = (each["stops"] for each in client.get("/api/machines").json())
        with server.reading() as store:
            ((anew,),) = standings_of(store, KeptAnswers(), machines(store))
        assert stop == json.loads(anew.model_dump_json())
        said.append((stop["sentence"], stop["until"], stop["urgency"]))
        assert sum("setup_changes" in statement for statement in ran) == (2 if day == 2 else 0)
    assert said[0] != said[1]


def test_the_list_of_machines_is_that_of_now_and_reads_only_machines_that_changed(
    person, server, client
):
    strip = ["12.30", "12.41", "12.30", "12.44", "12.31", "12.39"]
    saw, sled = (
        person.post("/api/machines", {"name": name, "kind": "sled"}, 201)["id"]
        for name in ("Window saw", "Sled")
    )

    def read() -> int:
        """How many machines' trials are read for the list, which is the same as one made anew."""
        with statements(server.engine) as ran:
            listed = client.get("/api/machines").json()
        with server.reading() as store:
            standings = standings_of(store, KeptAnswers(), machines(store))
        for machine, stops in zip(listed, standings, strict=True):
            assert machine["stops"] == [json.loads(each.model_dump_json()) for each in stops]
        return sum("setup_changes" in statement for statement in ran) // 2

    person.start("Window saw", tolerance_deg="0.2", strips=4)
    person.press(*strip)
    first = person.start("Sled", tolerance_deg="0.2")
    person.press(*strip)
    assert (read(), read()) == (2, 0)
    person.press("12.30", "12.42")
    assert read() == 1
    series = person.start("Window saw", tolerance_deg="0.2", strips=3)  # which ends the other one
    assert read() == 2
    person.press(*strip)
    assert read() == 1
    person.post(f"/api/series/{series}/finish")
    assert (read(), read()) == (1, 0)
    stop = person.post("/api/stops", {"machine": saw, "name": "5", "nominal_deg": "5"}, 201)["id"]
    assert read() == 1
    for change in ({"check_days": 7}, {"retired": True}):
        assert client.patch(f"/api/stops/{stop}", json=change).status_code == 200
        assert read() == 2
    person.post("/api/setup-changes", {"machine": sled, "kind": "adjusted"}, 201)
    assert read() == 2
    client.patch(f"/api/series/{first}", json={"machine": "Window saw"})
    assert read() == 2
    person.start("Sled", method="known-block", baseline="25", strip_side="left")
    person.press("25.00", "25.01", "25.00")
    assert read() == 2


def test_what_another_program_writes_is_seen(person, store_url):
    series = person.start()
    person.press("12.30")
    assert person.sent(series) == [["12.30"]]
    elsewhere = open_engine(store_url)
    Journal(elsewhere).keep([reading("12.44")])
    elsewhere.dispose()
    assert person.sent(series) == [["12.30", "12.44"]]


def test_while_nothing_happens_one_statement_finds_that_out(person, server):
    series = person.start()
    person.press("12.30", "12.41")
    first = person.series(series)
    with statements(server.engine) as ran:
        assert person.series(series) == first
    assert len(ran) == 1


def test_a_series_that_is_not_there_is_not_found_twice(client):
    for _ in range(2):
        answer = client.get(f"/api/series/{UUID(int=3)}")
        assert answer.status_code == 404
        assert answer.headers["Content-Type"] == "application/problem+json"


def test_only_so_many_bytes_are_kept_the_latest_asked_ones():
    engine = create_engine("sqlite://")
    kept = KeptAnswers(most_bytes=250)
    made: list[str] = []

    def ask(name: str, size: int = 100) -> bytes:
        def answer() -> bytes:
            made.append(name)
            return name.encode() * size

        return kept.get(store, name, answer)

    with engine.connect() as store:
        store.exec_driver_sql("CREATE TABLE events (id INTEGER PRIMARY KEY)")
        assert ask("a") == b"a" * 100
        ask("b")
        ask("a")
        ask("c")  # b was asked longest ago
        assert made == ["a", "b", "c"]
        ask("a")
        assert made == ["a", "b", "c"]
        ask("b")
        assert made == ["a", "b", "c", "b"]
        ask("large", 300)  # larger than all that may be kept: answered, not kept
        ask("large", 300)
        ask("b")
        assert made == ["a", "b", "c", "b", "large", "large"]
        store.exec_driver_sql("INSERT INTO events VALUES (7)")
        ask("b")
        ask("b")
        assert made[6:] == ["b"]
    engine.dispose()
