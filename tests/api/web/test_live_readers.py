"""Many readers of live events: each is made once, and none of them holds up another."""

from __future__ import annotations

import asyncio
import random
import threading
from collections import Counter
from collections.abc import Callable
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlalchemy.exc import OperationalError

from api.store.engine import open_engine
from api.store.journal import Journal
from api.store.rows import events
from api.web import live_feed, live_hub
from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE
from tests.api.entries import reading
from tests.api.web.ears import Room, heard, latest, room, run
from tests.ptys import PATIENCE_S


@pytest.fixture
def person(client: TestClient) -> Person:
    return Person(client)


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> Counter[int]:
    """How often the message of each event was made."""
    times: Counter[int] = Counter()
    real = live_hub.messages

    def counted(connection: Any, found: Any, *others: Any) -> Any:
        times.update(event.id for event in found)
        return real(connection, found, *others)

    monkeypatch.setattr(live_hub, "messages", counted)
    return times


def small(monkeypatch: pytest.MonkeyPatch, page: int = 4, kept: int = 8) -> None:
    for module in (live_feed, live_hub):
        monkeypatch.setattr(module, "PAGE", page)
    monkeypatch.setattr(live_hub, "_KEPT", kept)


def test_an_event_is_made_once_however_many_readers_there_are(person, server, made):
    person.start()
    person.press("12.30")
    begun = latest(person)

    async def work() -> None:
        async with room(server) as here:
            ears = [here.ear() for _ in range(6)]
            for ear in ears:
                await ear.until(begun)
            for sent in ("12.40", "12.31", "12.41"):
                await asyncio.to_thread(server.journal.keep, [reading(sent, bench="main")])
                here.signal.notify()
                now = await asyncio.to_thread(latest, person)
                for ear in ears:
                    await ear.until(now)
            # One that connects again gets what is there already.
            again = here.ear(after=begun)
            await again.until(ears[0].last)
            assert [ear.heard for ear in ears] == [ears[0].heard] * 6
            later = [e for e in ears[0].heard if (e[0] or 0) > begun]
            needless = [e for e in later if e[1] == "score"][:-1]
            assert again.heard == [e for e in later if e not in needless]

    run(work)
    assert len(made) > 9
    assert set(made.values()) == {1}


def test_a_reader_further_behind_than_what_is_kept_gets_all_of_it_in_pages(
    person, server, monkeypatch
):
    small(monkeypatch)
    person.start()
    sent = [f"12.{n}" for n in range(10, 50)]
    for each in sent:
        person.press(each)

    async def work() -> None:
        async with room(server) as here:
            now = await asyncio.to_thread(latest, person)
            near = here.ear(after=now)
            far = here.ear(after=0)
            await far.listen()
            await far.listen()
            assert 0 < far.last < now
            assert far.largest < 6000  # a page, not all of it
            # Who is up to date hears the next press while the other is still far behind.
            await asyncio.to_thread(person.press, "13.00")
            here.signal.notify()
            await near.until(now + 1)
            assert near.sent == ["13.00"]
            assert far.last < now
            await far.until(now + 1)
            assert far.sent == [*sent, "13.00"]
            numbers = [number for number, *_ in far.heard if number is not None]
            assert numbers == sorted(set(numbers))

    run(work)


def test_of_a_series_that_goes_on_after_a_page_no_score_is_made_for_it(
    person, server, monkeypatch, made
):
    small(monkeypatch)
    series = person.start()
    for n in range(10, 50):
        person.press(f"12.{n}")
    with server.reading() as store:
        scores = {e.id for e in events.events_after(store, "main", 0, 1000) if e.kind == "score"}
    found = heard(server, 0, latest(person))
    assert len(scores.intersection(made)) < 5
    last = [e for _, kind, e in found if kind == "score"][-1]
    assert (last["series"], last["score"]["trials"]) == (series, 20)


def test_a_reader_that_takes_nothing_for_long_holds_up_nobody_and_misses_nothing(
    person, server, monkeypatch
):
    small(monkeypatch)
    person.start()

    async def work() -> None:
        async with room(server) as here:
            begun = await asyncio.to_thread(latest, person)
            slow, quick = here.ear(begun), here.ear(begun)
            await slow.listen()
            sent = [f"12.{n}" for n in range(10, 30)]
            for each in sent:
                await asyncio.to_thread(person.press, each)
                here.signal.notify()
                await quick.until(await asyncio.to_thread(latest, person))
            assert quick.sent == sent
            assert slow.heard == []
            await slow.until(quick.last)
            assert slow.sent == sent

    run(work)


def test_readers_that_come_and_go_with_two_servers_pressing_hear_each_reading_once_in_order(
    person, server, store_url, monkeypatch
):
    small(monkeypatch, page=6, kept=12)
    person.start()
    begun = latest(person)
    chance = random.Random(11)
    other_engine = open_engine(store_url)
    other = Journal(other_engine)
    said = [reading(f"12.{n:03d}", bench="main") for n in range(60)]

    async def reader(here: Room, done: Callable[[], bool]) -> list[str]:
        """Breaks off now and then, and connects again with the number it saw last."""
        sent, last = [], begun
        while len(sent) < len(said):
            ear = here.ear(last)
            for _ in range(chance.randint(1, 6)):
                await ear.listen()
                if len(sent) + len(ear.sent) == len(said):
                    break
                if chance.random() < 0.3:
                    await asyncio.sleep(0)
            sent += ear.sent
            last = ear.last
            await ear.leave()
        assert done()
        return sent

    async def work() -> None:
        async with room(server) as here:
            finished = False
            readers = [asyncio.create_task(reader(here, lambda: finished)) for _ in range(8)]
            own = Journal(server.engine, committed=here.signal.notify)
            rest = list(said)
            while rest:
                count = chance.randint(1, 4)
                batch, rest = rest[:count], rest[count:]
                finished = not rest
                await asyncio.to_thread(chance.choice((own, other)).keep, batch)
            for heard in await asyncio.gather(*readers):
                assert heard == [r.sent for r in said]
            assert here.live.readers == 0

    run(work)
    other_engine.dispose()


class Unwatched:
    """No watch looks by itself: on a busy machine it may do so at any time."""

    def __init__(self, *_: object) -> None:
        pass

    def stop(self) -> None:
        pass


@ON_SQLITE  # on PostgreSQL the numbers of events are not known without asking
@pytest.mark.parametrize("between", [None, "main", "side"])
def test_what_this_process_commits_is_told_without_being_read(
    person, server, store_url, monkeypatch, between
):
    """But not where another process has committed between: then all is read, in order."""
    monkeypatch.setattr("api.store.commit_signal.Watch", Unwatched)
    person.start()
    begun = latest(person)
    other_engine = open_engine(store_url)
    read = threading.Event()
    real = events.news

    def news(*args: Any) -> Any:
        read.set()
        return real(*args)

    async def work() -> None:
        async with room(server) as here:
            ear = here.ear(begun)
            own = Journal(server.engine, committed=here.signal.notify)
            await asyncio.to_thread(own.keep, [reading("12.30", bench="main")])
            await ear.until(begun + 1)
            await asyncio.to_thread(own.keep, [reading("9.9", bench="side")])  # has no readers
            monkeypatch.setattr(events, "news", news)
            if between is not None:
                other = Journal(other_engine)
                await asyncio.to_thread(other.keep, [reading("12.40", bench=between)])
            await asyncio.to_thread(own.keep, [reading("12.50", bench="main")])
            while ear.sent[-1:] != ["12.50"]:
                await ear.listen()
            assert ear.sent == ["12.30", *(["12.40"] if between == "main" else []), "12.50"]
            numbers = [number for number, *_ in ear.heard if number is not None]
            assert numbers == sorted(set(numbers))
            assert read.is_set() == (between is not None)

    run(work)
    other_engine.dispose()


@ON_SQLITE
def test_a_press_that_is_told_late_is_heard_in_its_turn_among_those_of_other_threads(
    person, server, monkeypatch
):
    """A thread that is held up right after its commit: another one commits and tells before it
    only where the order of what is told is not that of the commits."""
    monkeypatch.setattr("api.store.commit_signal.Watch", Unwatched)
    person.start()
    begun = latest(person)
    sent = ["12.10", "12.20", "12.30", "12.40"]
    others: list[threading.Thread] = []

    def committed(benches: Any, happened: Any) -> None:
        readings = [event.reading.sent for event in happened if event.reading]
        if readings == [sent[1]]:
            another = threading.Thread(target=own.keep, args=([reading(sent[2], bench="main")],))
            others.append(another)
            another.start()
            another.join(0.3)  # as long as a thread may be held up; it cannot have ended
        server.signal.notify(benches, happened)

    own = Journal(server.engine, committed=committed)

    def press() -> None:
        """All before the loop takes what is told of the first."""
        for text in (sent[0], sent[1], sent[3]):
            own.keep([reading(text, bench="main")])
            for another in others:
                another.join(PATIENCE_S)

    async def work() -> None:
        async with room(server) as here:
            ear = here.ear(begun)
            own.keep([reading("12.00", bench="main")])
            await ear.until(begun + 1)
            monkeypatch.setattr(server, "signal", here.signal)
            press()  # on the loop's own thread
            while ear.sent[-1:] != sent[-1:]:
                await ear.listen()
            assert ear.sent == ["12.00", *sent]

    run(work)


def test_what_another_process_keeps_is_told_without_a_word_from_here(person, server, store_url):
    person.start()
    other_engine = open_engine(store_url)

    async def work() -> None:
        async with room(server) as here:
            begun = await asyncio.to_thread(latest, person)
            ears = [here.ear(begun) for _ in range(2)]
            for ear in ears:
                await ear.listen()
            for sent in ("12.30", "12.40"):
                await asyncio.to_thread(Journal(other_engine).keep, [reading(sent, bench="main")])
                for ear in ears:
                    while ear.sent[-1:] != [sent]:
                        await ear.listen()
            assert [ear.sent for ear in ears] == [["12.30", "12.40"]] * 2

    run(work)
    other_engine.dispose()


def test_a_score_that_takes_long_holds_back_no_reading(person, server, monkeypatch):
    person.start()
    begun = latest(person)
    go_on, at_it = threading.Event(), threading.Event()
    real = live_hub.messages

    def slow(connection: Any, found: Any, *others: Any) -> Any:
        if any(event.kind == "score" for event in found):
            at_it.set()
            assert go_on.wait(PATIENCE_S)
        return real(connection, found, *others)

    monkeypatch.setattr(live_hub, "messages", slow)

    async def work() -> None:
        async with room(server) as here:
            ear = here.ear(begun)
            try:
                for sent in ("12.30", "12.40", "12.31", "12.41"):
                    await asyncio.to_thread(person.press, sent)
                    here.signal.notify()
                    while ear.sent[-1:] != [sent]:
                        await ear.listen()
                    assert await asyncio.to_thread(at_it.wait, PATIENCE_S)
                assert not [e for e in ear.heard if e[1] == "score"]
            finally:
                go_on.set()
            await ear.until(await asyncio.to_thread(latest, person))
            # The score of all trials; those before it are needless by then.
            assert [e["score"]["trials"] for _, kind, e in ear.heard if kind == "score"] == [2]

    run(work)


def test_after_the_store_was_away_what_was_kept_meanwhile_is_told_once(person, server, monkeypatch):
    person.start()
    begun = latest(person)
    monkeypatch.setattr(live_feed, "ASK_AGAIN_S", 0.01)
    away = threading.Event()
    asked = threading.Event()
    real = events.news

    def news(*args: Any) -> Any:
        if away.is_set():
            asked.set()
            raise OperationalError("", {}, Exception("away"))
        return real(*args)

    monkeypatch.setattr(events, "news", news)

    async def work() -> None:
        async with room(server) as here:
            ear = here.ear(begun)
            await asyncio.to_thread(person.press, "12.30")
            here.signal.notify()
            await ear.until(begun + 1)
            away.set()
            await asyncio.to_thread(person.press, "12.40", "12.31")
            here.signal.notify()
            assert await asyncio.to_thread(asked.wait, PATIENCE_S)
            away.clear()
            await ear.until(await asyncio.to_thread(latest, person))
            assert ear.sent == ["12.30", "12.40", "12.31"]

    run(work)


def test_a_stream_that_cannot_go_on_ends_and_the_next_one_goes_on(person, server, monkeypatch):
    person.start()
    begun = latest(person)
    real = live_hub.messages

    def broken(*_: Any) -> Any:
        raise RuntimeError("a mistake in the program")

    async def work() -> None:
        async with room(server) as here:
            ear = here.ear(begun)
            await ear.listen()
            monkeypatch.setattr(live_hub, "messages", broken)
            await asyncio.to_thread(person.press, "12.30")
            here.signal.notify()
            with pytest.raises(StopAsyncIteration):
                await ear.until(begun + 1)
            await ear.leave()
            monkeypatch.setattr(live_hub, "messages", real)
            again = here.ear(ear.last)
            await again.until(begun + 1)
            assert again.sent == ["12.30"]

    run(work)
