"""The demo shop: made once in an empty store, and pressed like any caliper."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from analysis.units import mm
from api.answers import history
from api.answers.series import scored_at_hand
from api.answers.stop_map import machine_map
from api.answers.work_parts import answer
from api.demo import Demo, is_demo, may_open
from api.errors import Conflict
from api.server import Server
from api.settings import Settings
from api.store.engine import open_engine, sqlite_url
from api.store.rows.machines import called, machine, machines
from api.store.rows.works import works
from capture.pretend import Board, Saw, strip_widths
from capture.records import Away
from tests.api.entries import new_series
from tests.ptys import until


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Server]:
    made = Server(Settings(data=tmp_path, seed=7))
    made.pretend = Demo(made)
    yield made
    made.close()


def names(server: Server) -> list[str]:
    with server.reading() as store:
        return sorted(m.name for m in machines(store))


def test_the_shop_has_machines_and_a_series_that_waits_for_presses(shop):
    assert names(shop) == ["Birch sled", "Old radial arm", "Window bench miter saw"]
    assert shop.bench("main").series.machine_name == "Birch sled"
    assert shop.pretends("main")
    assert not shop.pretends("by the door")
    with shop.reading() as store:
        assert is_demo(store)


def test_the_shop_has_stops_whose_map_says_something_and_a_work_that_is_answered(shop):
    with shop.reading() as store:
        saw = machine(store, "Window bench miter saw")
        told = machine_map(store, history.read(store, saw.id))
        assert len(told.stops) == 5
        assert "The scale is wrong" in told.found.sentence
        (work,) = works(store)
        assert answer(store, work).missing == ()


def test_away_and_back_moves_the_cut_of_the_pretend_saw(shop):
    shop.journal.finish(shop.bench("main").series.id)
    with shop.reading() as store:
        arm = machine(store, "Old radial arm")
    new = new_series(arm.id)
    series = shop.journal.start(new)
    saw = Saw(angle_deg=-0.11, scatter_deg=0.03, stop_error_deg=0.08, tilt_deg=0.2)
    for trial, setup in ((1, 0), (2, 1)):
        for end in ("open end", "fence end"):
            sent = shop.pretend.press()
            assert until(lambda end=end: shop.bench("main").next.place.key == end)
        board = Board(mm(new.baseline_nm), strip_mm=11.4)
        _, width = strip_widths(
            new.method, saw, board, trial=trial, seed=f"7 {series}", setup=setup
        )
        assert float(sent) == pytest.approx(width, abs=0.05)
        if not setup:
            shop.journal.act("main", Away())


def test_presses_arrive_through_the_port_and_become_a_trial(shop):
    assert until(lambda: [s.state for s in shop.instruments.states()] == ["listening"])
    series = shop.bench("main").series.id
    sent = shop.pretend.press()
    assert until(lambda: shop.bench("main").next.place.key == "open end")
    assert shop.bench("main").last_reading.row.sent in sent
    shop.pretend.press()

    def trials() -> int:
        with shop.reading() as store:
            return scored_at_hand(store, series)[0].score.trials

    assert until(lambda: trials() == 1)


def test_without_a_series_a_press_says_to_start_one(shop):
    shop.journal.finish(shop.bench("main").series.id)
    with pytest.raises(Conflict, match="start one"):
        shop.pretend.press()


def test_a_second_start_adds_nothing(shop):
    before = shop.bench("main")
    again = Demo(shop)
    again.close()
    assert len(names(shop)) == 3
    assert shop.bench("main").series.id == before.series.id


def test_the_demo_may_open_what_is_not_there_yet_and_what_it_made_alone(tmp_path, shop):
    assert may_open(shop.engine)
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    engine = open_engine(sqlite_url(elsewhere))
    assert may_open(engine)
    engine.dispose()
    somebodys = Server(Settings(data=elsewhere))
    assert not may_open(somebodys.engine)
    somebodys.close()


def test_the_pretend_saw_cuts_at_the_stop_of_its_series(shop):
    shop.journal.finish(shop.bench("main").series.id)
    with shop.reading() as store:
        sled = called(store, "Birch sled")
    angles = {"nominal_deg": "-10", "bevel_deg": "0"}
    stop = shop.machine_records.add_stop(sled, "10 left", angles, None, None)
    new = replace(new_series(sled), stop_id=stop)
    series = shop.journal.start(new)
    for end in ("open end", "fence end"):
        shop.pretend.press()
        assert until(lambda end=end: shop.bench("main").next.place.key == end)
    with shop.reading() as store:
        found = scored_at_hand(store, series)[0].score.quantities["angle"].mean
    assert abs(math.degrees(found)) < 0.5  # its error from 10 degrees, not the angle
