"""Pulling only what is new: nothing missed, nothing twice, whatever is written in between."""

from __future__ import annotations

import csv
import io
import json
import shutil
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, event

from analysis.methods import method
from analysis.units import parse_length
from api.errors import Conflict
from api.exports import trials
from api.exports.cursor import latest
from api.exports.wanted import Wanted
from api.server import Server
from api.settings import Settings
from api.store.journal import Journal
from api.store.new_series import NewSeries
from capture import records
from tests.api.bench import Person
from tests.api.conftest import local_client


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


@dataclass
class Puller:
    """A reader that pulls from time to time, and keeps the rows by their id."""

    client: TestClient
    path: str
    key: str
    following: str = ""
    have: dict[str, dict[str, str]] = field(default_factory=dict)
    given: list[str] = field(default_factory=list)

    def pull(self) -> list[dict[str, str]]:
        answer = self.client.get(self.following or self.path)
        assert answer.status_code == 200, answer.text
        self.following = answer.links["next"]["url"]
        found = rows(answer.text)
        ids = [row[self.key] for row in found]
        assert len(set(ids)) == len(ids)
        self.given += ids
        self.have.update(zip(ids, found, strict=True))
        return found

    def folded(self) -> dict[str, dict[str, str]]:
        return {k: row for k, row in self.have.items() if row.get("state") != "gone"}

    def whole(self) -> dict[str, dict[str, str]]:
        return {row[self.key]: row for row in rows(self.client.get(self.path).text)}


@pytest.fixture
def person(client: TestClient) -> Person:
    return Person(client)


@pytest.fixture
def puller(client: TestClient) -> Puller:
    return Puller(client, "/api/trials.csv", "trial_id")


def test_a_second_pull_gives_what_changed_as_it_stands_now(person, puller):
    person.start()
    person.press("12.30", "12.40", "12.50")
    assert len(puller.pull()) == 2
    person.press("12.60")
    (changed,) = puller.pull()
    assert (changed["number"], changed["state"]) == ("2", "complete")
    assert puller.pull() == []


def test_a_trial_that_is_gone_is_told_of_only_to_who_may_have_it(person, puller):
    person.start()
    person.press("12.30", "12.40", "12.50")
    puller.pull()
    person.post("/api/benches/main/take-back")
    (gone,) = puller.pull()
    assert (gone["number"], gone["state"], gone["readings_mm"]) == ("2", "gone", "")
    assert len(puller.whole()) == 1
    person.press("12.70")
    (back,) = puller.pull()
    assert (back["trial_id"], back["state"]) == (gone["trial_id"], "open")


def test_a_late_reading_is_not_missed(person, client):
    readings = Puller(client, "/api/readings.csv", "reading_id")
    person.start()
    held_back = person.reading("12.30", taken_at="2026-03-01T08:00:00Z")
    person.press("12.50")
    readings.pull()
    person.post("/api/readings", [held_back])
    (came,) = readings.pull()
    assert (came["sent"], came["taken_at"]) == ("12.30", "2026-03-01T08:00:00.000000Z")


def test_since_holds_in_every_later_pull_too(person, client):
    person.start()
    first, _second = person.press("12.30", "12.40")
    later = datetime.fromisoformat(first["taken_at"]) + timedelta(seconds=2)
    since = later.strftime("%Y-%m-%dT%H:%M:%SZ")
    puller = Puller(client, f"/api/trials.csv?since={since}", "trial_id")
    assert len(puller.pull()) == 1
    person.post("/api/benches/main/take-back")
    # What is left of it is older than was asked for.
    assert [row["state"] for row in puller.pull()] == ["gone"]
    assert puller.folded() == puller.whole() == {}


def test_a_cursor_of_another_history_is_not_taken_up(person, puller, client):
    person.start()
    person.press("12.30", "12.40")
    puller.pull()
    cursor = puller.following.partition("after=")[2]
    number, _, mark = cursor.partition("-")
    for other in (f"{int(number) + 1000}-{mark}", f"{number}-00000000"):
        answer = client.get(f"/api/trials.csv?after={other}")
        assert answer.status_code == 410
        assert "without after" in answer.json()["detail"]
    assert client.get(f"/api/trials.csv?after={cursor}").status_code == 200
    assert len(rows(client.get("/api/trials.csv?after=0").text)) == 1


def test_an_incremental_package_holds_what_is_new(person, client):
    import zipfile

    person.start()
    person.press("12.30", "12.40")
    following = client.get("/api/history.zip").links["next"]["url"]
    person.press("12.50")
    archive = zipfile.ZipFile(io.BytesIO(client.get(following).content))
    found = {
        name: len(rows(archive.read(name).decode())) for name in archive.namelist() if "csv" in name
    }
    changed = {"trials.csv": 1, "readings.csv": 1, "trial_readings.csv": 1, "changes.csv": 0}
    # What the rows mean comes whole.
    whole = {"series.csv": 1, "machines.csv": 1, "stops.csv": 1, "calipers.csv": 1}
    none = dict.fromkeys(("setup_changes.csv", "works.csv", "caliper_studies.csv"), 0)
    assert found == changed | whole | none
    again = client.get("/api/history.zip").links["next"]["url"]
    unchanged = client.get("/api/history.zip").headers["ETag"]
    assert client.get(again, headers={"If-None-Match": unchanged}).status_code == 304
    # A series that ended, or something that was done to the machine, is new.
    said = {"machine": "Window saw", "kind": "adjusted"}
    person.post("/api/setup-changes", said, 201)
    adjusted = client.get(again, headers={"If-None-Match": unchanged})
    assert adjusted.status_code == 200
    (series,) = rows(zipfile.ZipFile(io.BytesIO(adjusted.content)).read("series.csv").decode())
    person.post(f"/api/series/{series['series_id']}/finish")
    tag = adjusted.headers["ETag"]
    ended = client.get(again, headers={"If-None-Match": tag})
    (series,) = rows(zipfile.ZipFile(io.BytesIO(ended.content)).read("series.csv").decode())
    assert series["finished_at"]
    resources = json.loads(archive.read("datapackage.json"))["resources"]
    assert not any("foreignKeys" in r["schema"] for r in resources)


def test_a_reader_beside_a_writer_misses_nothing(client, server):
    """A thread measures while pulls go on; what was pulled is what is there."""
    machine = server.journal.add_machine("Saw", "other")
    _start(server.journal, machine, "main", "stop-block")
    done = threading.Event()

    def measure() -> None:
        for number in range(60):
            server.journal.keep([_reading(number, "main", f"412.{number:02d}", number)])
            if number % 7 == 3:
                server.journal.act("main", records.TakeBack())
        done.set()

    pullers = [
        Puller(client, "/api/trials.csv", "trial_id"),
        Puller(client, "/api/readings.csv", "reading_id"),
    ]
    writer = threading.Thread(target=measure)
    writer.start()
    while not done.is_set():
        for puller in pullers:
            puller.pull()
    writer.join()
    for puller in pullers:
        puller.pull()
        assert puller.folded() == puller.whole()
        assert len(puller.whole()) > 40
    given = pullers[1].given
    assert len(set(given)) == 60
    # One that was pulled before it was taken back comes once more, and no other.
    again = {each for each in given if given.count(each) > 1}
    assert len(given) == 60 + len(again)
    assert {pullers[1].have[each]["fate"] for each in again} <= {"taken back"}


# ---------------------------------------------------------------- any order of anything

_BENCHES = ("main", "by the door")
_MACHINES = ("Saw", "Sled")
_NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
_SINCE = "2026-03-02T12:00:20Z"
_PULLERS = (
    ("/api/trials.csv", "trial_id"),
    ("/api/trials.csv?machine=Saw", "trial_id"),
    (f"/api/trials.csv?method=reversal&since={_SINCE}", "trial_id"),
    ("/api/readings.csv", "reading_id"),
    ("/api/readings.csv?machine=Sled", "reading_id"),
    (f"/api/readings.csv?since={_SINCE}", "reading_id"),
)

_bench = st.sampled_from(_BENCHES)
_step = st.one_of(
    st.tuples(st.just("press"), _bench, st.integers(0, 40)),
    st.tuples(st.just("press"), _bench, st.integers(0, 40)),
    st.tuples(st.just("press"), _bench, st.integers(0, 40)),
    st.tuples(st.just("shut jaws"), _bench),
    st.tuples(st.just("take back"), _bench),
    st.tuples(st.just("take back an earlier one"), _bench, st.integers(0, 9)),
    st.tuples(st.just("swap"), _bench),
    st.tuples(
        st.just("start"),
        _bench,
        st.sampled_from(_MACHINES),
        st.sampled_from(["reversal", "stop-block", "roll"]),
    ),
    st.tuples(st.just("finish"), _bench),
    st.tuples(st.just("resume"), _bench, st.integers(0, 3)),
    st.tuples(st.just("report"), _bench),
    st.tuples(st.just("send again"), _bench, st.integers(0, 9)),
    st.tuples(st.just("pull"), st.integers(0, len(_PULLERS) - 1)),
)


@pytest.fixture(scope="module")
def empty_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("empty")
    server = Server(Settings(data=folder))
    for machine in _MACHINES:
        server.journal.add_machine(machine, "other")
    server.close()
    return folder / "bothends.sqlite"


@pytest.fixture(scope="module")
def app(empty_store: Path) -> FastAPI:
    """The application, made once: each example gives it another server."""
    from api.web.app import build

    server = Server(Settings(data=empty_store.parent))
    server.close()
    return build(server)


@given(steps=st.lists(st.tuples(st.booleans(), _step), max_size=50))
@settings(
    max_examples=25,
    suppress_health_check=[HealthCheck.too_slow],
)
def test_all_pulls_folded_are_the_whole(
    app: FastAPI,
    empty_store: Path,
    tmp_path_factory: pytest.TempPathFactory,
    steps: list[tuple[bool, tuple[Any, ...]]],
) -> None:
    folder = tmp_path_factory.mktemp("shop")
    shutil.copy(empty_store, folder)
    server = app.state.server = Server(Settings(data=folder))
    client = local_client(app)
    try:
        pullers = [Puller(client, path, key) for path, key in _PULLERS]
        writers = _Writers(server)
        for second, (what, *more) in steps:
            if what == "pull":
                pullers[more[0]].pull()
                continue
            with suppress(Conflict):
                writers.do(second, what, *more)
        for puller in pullers:
            puller.pull()
            whole = puller.whole()
            assert puller.folded() == whole
            assert puller.pull() == []
            assert all(row.get("state") != "gone" for row in whole.values())
            if puller.key == "reading_id":
                assert len(puller.given) == len(set(puller.given))
    finally:
        server.close()
        shutil.rmtree(folder)


class _Writers:
    """Two processes' journals on one store, each in turn writing for either bench."""

    def __init__(self, server: Server) -> None:
        self._journals = (Journal(server.engine), Journal(server.engine))
        self._machines = {m: self._journals[0].add_machine(m, "other") for m in _MACHINES}
        self._sent: dict[str, list[records.Reading]] = {bench: [] for bench in _BENCHES}
        self._series: dict[str, list[UUID]] = {bench: [] for bench in _BENCHES}
        self._number = 0

    def do(self, second: bool, what: str, bench: str, *more: Any) -> None:
        journal = self._journals[second]
        doings: dict[str, Callable[..., None]] = {
            "press": self._press,
            "shut jaws": lambda j, b: self._press(j, b, 0, "0.00"),
            "take back": lambda j, b: j.act(b, records.TakeBack()),
            "take back an earlier one": self._take_back,
            "swap": lambda j, b: j.act(b, records.SwapEnds()),
            "start": self._start,
            "finish": self._finish,
            "resume": self._resume,
            "report": lambda j, b: j.report(records.CaliperState(b, "six-inch", "quiet")),
            "send again": self._again,
        }
        doings[what](journal, bench, *more)

    def _press(self, journal: Journal, bench: str, late: int, sent: str = "") -> None:
        self._number += 1
        reading = _reading(
            self._number, bench, sent or f"12.{self._number:02d}", self._number * 2 - late
        )
        self._sent[bench].append(reading)
        journal.keep([reading])

    def _take_back(self, journal: Journal, bench: str, back: int) -> None:
        if self._sent[bench]:
            of = self._sent[bench]
            journal.act(bench, records.TakeBack(of[-1 - back % len(of)].id))

    def _again(self, journal: Journal, bench: str, back: int) -> None:
        journal.keep(self._sent[bench][-1 - back :])

    def _start(self, journal: Journal, bench: str, machine: str, key: str) -> None:
        self._series[bench].append(_start(journal, self._machines[machine], bench, key))

    def _finish(self, journal: Journal, bench: str) -> None:
        for series in self._series[bench]:
            journal.finish(series)

    def _resume(self, journal: Journal, bench: str, back: int) -> None:
        if of := self._series[bench]:
            journal.resume(of[-1 - back % len(of)])


def _reading(number: int, bench: str, sent: str, seconds: int) -> records.Reading:
    return records.Reading(
        id=UUID(int=number + 1),
        bench=bench,
        caliper="six-inch",
        sent=sent,
        unit="mm",
        nm=parse_length(sent, "mm"),
        taken_at=_NOON + timedelta(seconds=seconds),
    )


def _start(journal: Journal, machine: UUID, bench: str, key: str) -> UUID:
    return journal.start(
        NewSeries(
            machine_id=machine,
            bench=bench,
            method=method(key),
            unit="mm",
            baseline="200",
            baseline_nm=200_000_000,
            thickness="18",
            thickness_nm=18_000_000,
            inset="0",
            inset_nm=0,
            strip_side="left",
            repeats=1,
        )
    )


def test_what_is_asked_after_a_table_needs_no_cursor_in_the_server(client, server):
    """Reading by blocks belongs to the table's own statement, not to the connection."""
    person = Person(client)
    person.start()
    person.press("12.30", "12.40")
    with server.engine.connect() as store:
        with _cursors(server.engine) as used:
            assert list(trials.blocks(store, Wanted()))
        # Trials, and what their series say beside them; names are looked up before.
        assert sum(used) == (2 if server.engine.dialect.name == "postgresql" else 0)
        with _cursors(server.engine) as used:
            assert latest(store, ("trial",))
        assert used
        assert not any(used)


@contextmanager
def _cursors(engine: Engine) -> Iterator[list[bool]]:
    """For every statement sent meanwhile, whether its cursor is held in the database server."""
    used: list[bool] = []

    def hear(_c: Any, cursor: Any, *_: Any) -> None:
        used.append(type(cursor).__name__ == "ServerCursor")

    event.listen(engine, "before_cursor_execute", hear)
    try:
        yield used
    finally:
        event.remove(engine, "before_cursor_execute", hear)
