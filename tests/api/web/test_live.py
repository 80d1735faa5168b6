"""Live events: from the store, each once and in order, and calipers' states without it."""

from __future__ import annotations

import asyncio
import json
import random
import threading
from collections import Counter
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Any

import pytest
from fastapi import HTTPException
from fastapi.testclient import TestClient
from sqlalchemy.exc import OperationalError

from api.server import Server
from api.store.commit_signal import CommitSignal
from api.store.engine import open_engine
from api.store.journal import Journal
from api.web import live
from api.web.live import EventStream, Live
from capture.records import CaliperState, Reading
from tests.api.bench import Person
from tests.api.entries import reading
from tests.ptys import PATIENCE_S, until

LISTENING = CaliperState("main", "six-inch", "listening")

Event = tuple[int | None, str, Any]
"""Number, kind and data."""


def events(text: bytes) -> list[Event]:
    found = []
    for block in text.decode().split("\n\n"):
        fields = dict(line.split(": ", 1) for line in block.splitlines() if ": " in line)
        if "event" in fields:
            number = int(fields["id"]) if "id" in fields else None
            found.append((number, fields["event"], json.loads(fields["data"])))
    return found


class Ear:
    """A reader, and what it has heard."""

    def __init__(self, stream: EventStream, after: int) -> None:
        self._stream = stream
        self.heard: list[Event] = []
        self.last = after
        self.largest = 0

    async def listen(self) -> None:
        """Hear the next chunk. Raises StopAsyncIteration where the stream has ended."""
        async with asyncio.timeout(PATIENCE_S):
            chunk = await anext(aiter(self._stream.body_iterator))
        assert isinstance(chunk, bytes)
        self.largest = max(self.largest, len(chunk))
        found = events(chunk)
        self.heard += found
        self.last = max([self.last, *(number for number, *_ in found if number is not None)])

    async def until(self, number: int) -> list[Event]:
        while self.last < number:
            await self.listen()
        return self.heard

    async def leave(self) -> None:
        await self._stream.body_iterator.aclose()  # type: ignore[union-attr]
        self._stream.left()

    @property
    def sent(self) -> list[str]:
        return [data["sent"] for _, kind, data in self.heard if kind == "reading"]


class Room:
    """The live streams of a server, on the running loop."""

    def __init__(self, server: Server, signal: CommitSignal) -> None:
        self.states: list[CaliperState] = []
        self.signal = signal
        self.live = Live(server.engine, signal, self._calipers, lambda _: False, most=30)

    def _calipers(self, _bench: str) -> list[CaliperState]:
        return list(self.states)

    def ear(self, after: int = 0, bench: str = "main") -> Ear:
        return Ear(self.live.follow(bench, after), after)


@asynccontextmanager
async def room(server: Server, *states: CaliperState) -> AsyncIterator[Room]:
    signal = CommitSignal(server.engine)
    signal.attach(asyncio.get_running_loop())
    made = Room(server, signal)
    made.states = list(states)
    try:
        yield made
    finally:
        signal.close()


def heard(server: Server, after: int, until: int, *states: CaliperState) -> list[Event]:
    """The events of a stream begun after one number, until another was sent."""

    async def read() -> list[Event]:
        async with room(server, *states) as here:
            return await here.ear(after).until(until)

    return asyncio.run(read())


@pytest.fixture
def person(client: TestClient) -> Person:
    return Person(client)


def latest(person: Person) -> int:
    number: int = person.get("/api/benches/main")["last_event"]
    return number


# ------------------------------------------------------------ one reader


def test_what_was_missed_comes_once_and_in_order(person, server):
    series = person.start()
    begun = latest(person)
    person.press("12.30", "12.40")
    found = heard(server, begun, latest(person))
    numbers = [number for number, *_ in found]
    assert numbers == sorted(set(numbers))
    assert [e["sent"] for _, kind, e in found if kind == "reading"] == ["12.30", "12.40"]
    (score,) = [e for _, kind, e in found if kind == "score"]
    assert (score["series"], score["score"]["trials"]) == (series, 1)


def test_a_reader_that_saw_one_event_does_not_get_it_again(person, server):
    person.start()
    person.press("12.30", "12.40")
    everything = [number for number, *_ in heard(server, 0, latest(person))]
    assert len(everything) > 2
    after = everything[-2]
    assert [n for n, *_ in heard(server, after, latest(person))] == everything[-1:]


def test_of_several_scores_only_the_last_is_sent(person, server):
    person.start()
    person.press("12.30", "12.40", "12.31", "12.41", "12.32", "12.42")
    found = heard(server, 0, latest(person))
    assert [e["score"]["trials"] for _, kind, e in found if kind == "score"] == [3]


def test_a_caliper_that_this_server_knows_is_told_first_and_once(person, server):
    server.journal.report(LISTENING)
    person.start()
    found = heard(server, 0, latest(person), LISTENING)
    told = [(number, e["state"]) for number, kind, e in found if kind == "caliper"]
    assert told == [(None, "listening")]
    assert found[0][1] == "caliper"


def test_while_the_database_hangs_a_change_of_a_caliper_is_told(server):
    """And the stream ends with the program, which does not wait for the database."""
    if server.engine.dialect.name != "postgresql":
        pytest.skip("an SQLite file that is locked can still be read")
    listening = CaliperState("main", "six-inch", "listening")

    async def work() -> None:
        with server.engine.connect() as held:
            async with room(server, listening) as here:
                ear = here.ear()
                while not ear.heard:
                    await ear.listen()
                held.exec_driver_sql("LOCK TABLE benches, events IN ACCESS EXCLUSIVE MODE")
                here.signal.notify()
                waits = "SELECT count(*) FROM pg_locks WHERE NOT granted"
                assert await asyncio.to_thread(
                    until, lambda: held.exec_driver_sql(waits).scalar_one() > 0
                )
                here.states = [replace(listening, state="trouble", message="it does not answer")]
                here.signal.notify()
                while len(ear.heard) < 2:
                    await ear.listen()
                assert [e["state"] for _, _, e in ear.heard] == ["listening", "trouble"]
                here.signal.close()
                with pytest.raises(StopAsyncIteration):
                    await ear.until(1)  # no event has come, and none will
            held.rollback()

    asyncio.run(work())


def test_while_the_store_fails_the_states_of_calipers_are_still_told(tmp_path):
    async def first() -> list[Event]:
        engine = open_engine(f"sqlite:///{tmp_path}/none/shop.sqlite")
        signal = CommitSignal(engine)
        signal.attach(asyncio.get_running_loop())
        stream = Live(engine, signal, lambda _: [LISTENING], lambda _: False).follow("main", 0)
        lines = aiter(stream.body_iterator)
        try:
            async with asyncio.timeout(60):
                assert await anext(lines) == b"retry: 1000\n\n"
                return events(await anext(lines))  # type: ignore[arg-type]
        finally:
            signal.close()

    ((number, kind, told),) = asyncio.run(first())
    assert (number, kind, told["state"]) == (None, "caliper", "listening")


# ------------------------------------------------------------ many readers


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> Counter[int]:
    """How often the message of each event was made."""
    times: Counter[int] = Counter()
    real = live.messages

    def counted(connection: Any, bench: str, found: Any, states: Any, pretend: bool) -> Any:
        times.update(event.id for event in found)
        return real(connection, bench, found, states, pretend)

    monkeypatch.setattr(live, "messages", counted)
    return times


def small(monkeypatch: pytest.MonkeyPatch, page: int = 4, kept: int = 8) -> None:
    monkeypatch.setattr(live, "_PAGE", page)
    monkeypatch.setattr(live, "_KEPT", kept)


def run(work: Callable[[], Coroutine[Any, Any, None]]) -> None:
    asyncio.run(work())


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
        scores = {
            e.id for e in live.events.events_after(store, "main", 0, 1000) if e.kind == "score"
        }
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
    journals = [server.journal, Journal(other_engine)]
    said = [reading(f"12.{n:03d}", bench="main") for n in range(60)]

    def press(which: int, found: list[Reading]) -> None:
        journals[which].keep(found)

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
            rest = list(said)
            while rest:
                count = chance.randint(1, 4)
                batch, rest = rest[:count], rest[count:]
                finished = not rest
                await asyncio.to_thread(press, chance.randint(0, 1), batch)
                here.signal.notify()
            for heard in await asyncio.gather(*readers):
                assert heard == [r.sent for r in said]
            assert here.live.readers == 0

    run(work)
    other_engine.dispose()


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
    real = live.messages

    def slow(connection: Any, bench: str, found: Any, states: Any, pretend: bool) -> Any:
        if any(event.kind == "score" for event in found):
            at_it.set()
            assert go_on.wait(PATIENCE_S)
        return real(connection, bench, found, states, pretend)

    monkeypatch.setattr(live, "messages", slow)

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
    monkeypatch.setattr(live, "_ASK_AGAIN_S", 0.01)
    away = threading.Event()
    asked = threading.Event()
    real = live.events.events_after

    def events_after(*args: Any) -> Any:
        if away.is_set():
            asked.set()
            raise OperationalError("", {}, Exception("away"))
        return real(*args)

    monkeypatch.setattr(live.events, "events_after", events_after)

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
    real = live.messages

    def broken(*_: Any) -> Any:
        raise RuntimeError("a mistake in the program")

    async def work() -> None:
        async with room(server) as here:
            ear = here.ear(begun)
            await ear.listen()
            monkeypatch.setattr(live, "messages", broken)
            await asyncio.to_thread(person.press, "12.30")
            here.signal.notify()
            with pytest.raises(StopAsyncIteration):
                await ear.until(begun + 1)
            await ear.leave()
            monkeypatch.setattr(live, "messages", real)
            again = here.ear(ear.last)
            await again.until(begun + 1)
            assert again.sent == ["12.30"]

    run(work)


# ------------------------------------------------------------ calipers, ends and places


def test_after_an_old_message_of_the_bench_its_calipers_are_told_as_they_are_now(person, server):
    person.start()
    begun = latest(person)

    async def work() -> None:
        async with room(server, LISTENING) as here:
            first = here.ear(begun - 1)
            await first.until(begun)
            (told,) = [e for _, kind, e in first.heard if kind == "bench"]
            assert [c["state"] for c in told["calipers"]] == ["listening"]
            here.states = [CaliperState("main", "six-inch", "unplugged", "plug it in")]
            here.signal.notify()
            while first.heard[-1][1] != "caliper":
                await first.listen()
            assert first.heard[-1][2]["state"] == "unplugged"
            # Its bench is the message made before.
            again = here.ear(begun - 1)
            await again.until(begun)
            await again.listen()
            states = [
                data["state"] if kind == "caliper" else data["calipers"][0]["state"]
                for _, kind, data in again.heard
                if kind in ("caliper", "bench")
            ]
            assert states == ["unplugged", "listening", "unplugged"]

    run(work)


def test_a_state_that_a_new_reader_notices_is_told_to_the_others_too(person, server):
    person.start()
    begun = latest(person)

    async def work() -> None:
        async with room(server, LISTENING) as here:
            first = here.ear(begun)
            while not first.heard:
                await first.listen()
            here.states = [CaliperState("main", "six-inch", "unplugged", "plug it in")]
            second = here.ear(begun)
            while not second.heard:
                await second.listen()
            assert [e["state"] for *_, e in second.heard] == ["unplugged"]
            while len(first.heard) < 2:
                await first.listen()
            assert [e["state"] for *_, e in first.heard] == ["listening", "unplugged"]

    run(work)


def test_all_streams_end_as_the_program_stops(person, server):
    person.start()

    async def work() -> None:
        async with room(server) as here:
            ears = [here.ear(await asyncio.to_thread(latest, person)) for _ in range(5)]
            for ear in ears:
                await ear.listen()
            waiting = [asyncio.create_task(ear.until(10**9)) for ear in ears]
            here.signal.close()
            for done in await asyncio.gather(*waiting, return_exceptions=True):
                assert isinstance(done, StopAsyncIteration | RuntimeError)

    run(work)


def test_more_readers_than_there_are_places_for_are_refused_in_words(server):
    async def work() -> None:
        async with room(server) as here:
            ears = [here.ear(bench="main" if n % 2 else "other") for n in range(30)]
            with pytest.raises(HTTPException) as refused:
                here.ear()
            assert refused.value.status_code == 503
            assert refused.value.detail.startswith("30 pages and programs follow live events")
            assert "close some" in refused.value.detail
            await ears[0].leave()
            await here.ear().listen()

    run(work)
