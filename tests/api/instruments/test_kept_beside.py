"""What a store cannot take is kept beside it, and put into it once and in order."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import UUID

import pytest

from api.instruments.kept_beside import Conflicting, KeptBeside
from api.settings import KEPT_BESIDE_FILE
from api.store.engine import DamagedStore, GoneStore, StoreError
from capture.records import Reading, Refusal
from tests.ptys import until

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


class Store:
    """Takes things, or raises what the test says."""

    def __init__(self) -> None:
        self.things: list[Reading | Refusal] = []
        self.fails: Exception | None = None
        self.reached: int | None = 7
        self.had_reached: list[int | None] = []

    def put(self, thing: Reading | Refusal, reached: int | None) -> None:
        if self.fails is not None:
            raise self.fails
        if thing not in self.things:
            self.things.append(thing)
            self.had_reached.append(reached)


@pytest.fixture
def store() -> Store:
    return Store()


@pytest.fixture
def beside(tmp_path: Path, store: Store) -> Iterator[KeptBeside]:
    made = KeptBeside(tmp_path, store.put, lambda _bench: store.reached, lambda: None)
    yield made
    made.close()


def reading(number: int) -> Reading:
    return Reading(
        id=UUID(int=number),
        bench="main",
        caliper="six-inch",
        sent=f"12.{number:02}",
        unit="mm",
        nm=12_000_000 + number * 10_000,
        taken_at=NOON + timedelta(seconds=number),
        since_previous_ms=1000,
        late=number % 2 == 0,
        pattern="(.*)",
    )


REFUSED = Refusal(UUID(int=900), "main", "six-inch", r"\x00#", "no number in it", NOON)


def test_a_store_that_takes_all_has_nothing_beside_it(tmp_path, store, beside):
    beside.keep(reading(1))
    assert store.things == [reading(1)]
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("error", [DamagedStore("damaged"), GoneStore("away")])
def test_what_waits_comes_before_what_is_pressed_later(tmp_path, store, beside, error):
    things = [reading(1), REFUSED, reading(2)]
    store.fails = error
    for thing in things:
        beside.keep(thing)
    assert (beside.waiting, beside.last, store.things) == (3, reading(2), [])
    store.fails = None
    beside.keep(reading(3))
    assert store.things == [*things, reading(3)]
    assert beside.waiting == 0
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("reached", [7, None])
def test_the_first_that_waits_of_a_bench_says_how_far_the_store_had_come(store, beside, reached):
    beside.keep(reading(1))
    store.reached = reached
    store.fails = DamagedStore("damaged")
    elsewhere = replace(reading(4), bench="lathe")
    for thing in (REFUSED, reading(2), reading(3), elsewhere):
        beside.keep(thing)
    store.fails = None
    beside.keep(reading(5))
    # Those that follow it are in the store only behind it.
    assert store.had_reached == [0, 0, reached, 0, reached, 0]


def test_what_waits_is_there_for_the_next_program(tmp_path, store, beside):
    store.fails = DamagedStore("damaged")
    beside.keep(reading(1))
    beside.keep(reading(1))  # again, after an answer that was lost
    beside.close()
    following = KeptBeside(tmp_path, store.put, lambda _bench: store.reached, lambda: None)
    assert not following.take_in()
    assert following.waiting == 1
    following.keep(reading(2))
    store.fails = None
    assert following.take_in()
    assert store.things == [reading(1), reading(2)]
    following.close()
    assert list(tmp_path.iterdir()) == []


def test_it_is_stored_by_itself_when_the_store_is_back(store, beside):
    store.fails = GoneStore("away")
    beside.keep(reading(1))
    store.fails = None
    assert until(lambda: store.things == [reading(1)])


def test_a_store_that_fails_for_now_is_not_gone_around(tmp_path, store, beside):
    store.fails = StoreError("locked")
    with pytest.raises(StoreError, match="locked"):
        beside.keep(reading(1))
    assert list(tmp_path.iterdir()) == []


def test_nothing_overtakes_what_waits_while_a_store_fails_for_now(store, beside):
    store.fails = GoneStore("away")
    beside.keep(reading(1))
    store.fails = StoreError("locked")
    beside.keep(reading(2))
    store.fails = None
    assert until(lambda: store.things == [reading(1), reading(2)])


def test_what_the_store_has_with_another_value_stays_in_the_file_and_holds_nothing_up(
    tmp_path, store, beside, caplog
):
    store.fails = DamagedStore("damaged")
    beside.keep(reading(1))
    beside.keep(reading(2))

    def put(thing: Reading | Refusal, _reached: int | None) -> None:
        if thing == reading(1):
            raise Conflicting("the store has another value under its id")
        store.things.append(thing)

    beside.close()
    following = KeptBeside(tmp_path, put, lambda _bench: None, lambda: None)
    assert following.take_in()
    assert store.things == [reading(2)]
    assert "another value" in caplog.text
    assert (tmp_path / KEPT_BESIDE_FILE).exists()
    following.close()


def test_a_reading_that_the_store_will_never_take_holds_nothing_up(store, beside, caplog):
    store.fails = Conflicting("the store has another value under its id")
    beside.keep(reading(1))
    assert "another value" in caplog.text
    store.fails = None
    beside.keep(reading(2))
    assert store.things == [reading(2)]


def test_a_folder_that_was_moved_away_is_not_made_again(tmp_path, store):
    folder = tmp_path / "data"
    beside = KeptBeside(folder, store.put, lambda _bench: store.reached, lambda: None)
    store.fails = GoneStore("away; put it back")
    with pytest.raises(StoreError, match="put it back"):
        beside.keep(reading(1))
    assert not folder.exists()
    beside.close()


def test_a_queue_that_cannot_be_used_is_said(tmp_path, store, beside):
    (tmp_path / KEPT_BESIDE_FILE).write_bytes(b"no database " * 100)
    store.fails = DamagedStore("damaged")
    with pytest.raises(StoreError, match="cannot be used"):
        beside.keep(replace(reading(1), pattern=None))
