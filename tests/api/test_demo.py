"""The demo shop: made once in an empty store, and pressed like any caliper."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from api.answers.series import scored
from api.demo import Demo, is_demo, may_open
from api.errors import Conflict
from api.server import Server
from api.settings import Settings
from api.store.engine import open_engine, sqlite_url
from api.store.rows.machines import machines
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


def test_presses_arrive_through_the_port_and_become_a_trial(shop):
    assert until(lambda: [s.state for s in shop.instruments.states()] == ["listening"])
    series = shop.bench("main").series.id
    sent = shop.pretend.press()
    assert until(lambda: shop.bench("main").next.place.key == "open end")
    assert shop.bench("main").last_reading.row.sent in sent
    shop.pretend.press()

    def trials() -> int:
        with shop.reading() as store:
            return scored(store, series).score.trials

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
