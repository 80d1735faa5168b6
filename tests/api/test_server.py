"""What a server holds: its store or a sentence why not, and the calipers of benches elsewhere."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from api.answers.bench import bench
from api.instruments.forward.bodies import reading_body
from api.instruments.forward.queue import Queue
from api.server import Server
from api.settings import KEPT_BESIDE_FILE, Settings
from api.store.engine import StoreError
from capture.records import CaliperState
from tests.api.entries import new_series, reading

HERE = CaliperState("main", "six-inch", "listening", last_heard=datetime(2026, 3, 2, tzinfo=UTC))


def test_a_data_folder_that_cannot_be_made_is_a_sentence(tmp_path):
    file = tmp_path / "file"
    file.write_text("not a folder", encoding="utf-8")
    with pytest.raises(StoreError, match="give another with --data"):
        Server(Settings(data=file / "data"))


def test_a_server_that_nobody_reports_to_has_no_calipers(server):
    assert server.calipers() == []
    assert server.calipers("main") == []


def test_calipers_elsewhere_are_told_of_their_own_bench(server):
    there = replace(HERE, bench="by the door")
    server.heard_of([HERE, there])
    assert server.calipers() == [HERE, there]
    assert server.calipers("by the door") == [there]
    assert server.calipers("attic") == []


def test_the_last_that_was_heard_of_a_caliper_holds(server):
    server.heard_of([HERE])
    server.heard_of([replace(HERE, state="waiting", message="plug it in")])
    assert [(s.state, s.message) for s in server.calipers()] == [("waiting", "plug it in")]


def test_only_a_change_of_state_is_published(server):
    def published() -> int:
        return server.bench("main").last_event

    before = published()
    server.heard_of([HERE])
    first = published()
    assert first > before
    server.heard_of([replace(HERE, last_heard=datetime(2026, 3, 3, tzinfo=UTC))])
    assert published() == first
    server.heard_of([replace(HERE, state="waiting")])
    assert published() > first


def test_a_bench_that_is_not_heard_from_for_long_is_waited_for(server, monkeypatch):
    server.heard_of([HERE])
    monkeypatch.setattr("api.server._AWAY_AFTER_S", -1.0)
    (told,) = server.calipers()
    assert (told.state, told.last_heard) == ("waiting", HERE.last_heard)
    assert "not heard from" in told.message


def test_without_the_demo_no_bench_pretends(server):
    assert not server.pretends("main")


@pytest.mark.parametrize("store_url", ["sqlite"], indirect=True)
def test_while_the_store_is_damaged_a_bench_elsewhere_still_says_how_its_calipers_are(server):
    server.condition.found("a part of it cannot be read")
    server.heard_of([HERE])
    assert server.calipers() == [HERE]


def test_what_was_kept_beside_the_store_is_not_asked_about(server):
    """Its press was answered long ago, and the person went on to the next place."""
    journal = server.journal
    journal.start(new_series(journal.add_machine("the saw", "miter saw")))
    journal.keep([reading(sent) for sent in ("11.40", "11.44", "11.52", "11.55")])
    beside = Queue(server.settings.data / KEPT_BESIDE_FILE)
    for each in (reading("114.20"), reading("11.42")):
        beside.add("reading", reading_body(each) | {"reached": 0})
    beside.close()
    assert server.kept_beside.take_in()
    server.kept_beside.keep(reading("1.14"))
    with server.reading() as connection:
        found = bench(connection, "main")
    assert (found.next.at.trial, found.awaiting.row.sent) == (4, "1.14")
