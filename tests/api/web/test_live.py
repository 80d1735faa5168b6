"""Live events: from the store, each once and in order, and calipers' states without it."""

from __future__ import annotations

import asyncio
import errno
from dataclasses import replace

import pytest
from fastapi import HTTPException
from fastapi.testclient import TestClient

from api.instruments.called import Called
from api.store.commit_signal import CommitSignal
from api.store.engine import open_engine
from api.store.trouble import sentence
from api.web import live
from api.web.live import Live
from api.web.live_hub import Sources
from api.web.live_messages import WHOLE
from capture.records import CaliperState
from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE
from tests.api.web.ears import LISTENING, Event, events, heard, latest, room, run
from tests.ptys import until


@pytest.fixture
def person(client: TestClient) -> Person:
    return Person(client)


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


@ON_SQLITE
def test_a_reader_for_whom_no_file_is_left_is_asked_to_come_again(server, monkeypatch, caplog):
    def fails(*_: object) -> None:
        raise OSError(errno.EMFILE, "Too many open files")

    async def work() -> None:
        async with room(server, LISTENING) as here:
            ear = here.ear()
            with pytest.raises(StopAsyncIteration):
                await ear.until(1)
            assert here.live.follow("main", 0) is not None

    monkeypatch.setattr("api.store.commit_signal.Watch", fails)
    run(work)
    assert "Too many open files" in caplog.text
    assert not [record for record in caplog.records if record.exc_info]


def test_while_the_database_hangs_a_change_of_a_caliper_is_told(server):
    """And the stream ends with the program, which does not wait for the database."""
    if server.engine.dialect.name != "postgresql":
        pytest.skip("an SQLite file that is locked can still be read")

    async def work() -> None:
        with server.engine.connect() as held:
            async with room(server, LISTENING) as here:
                ear = here.ear()
                while not ear.heard:
                    await ear.listen()
                held.exec_driver_sql("LOCK TABLE benches, events IN ACCESS EXCLUSIVE MODE")
                here.signal.notify()
                waits = "SELECT count(*) FROM pg_locks WHERE NOT granted"
                assert await asyncio.to_thread(
                    until, lambda: held.exec_driver_sql(waits).scalar_one() > 0
                )
                here.states = [replace(LISTENING, state="trouble", message="it does not answer")]
                here.signal.notify()
                while len(ear.heard) < 2:
                    await ear.listen()
                assert [e["state"] for _, _, e in ear.heard] == ["listening", "trouble"]
                here.signal.close()
                with pytest.raises(StopAsyncIteration):
                    await ear.until(1)  # no event has come, and none will
            held.rollback()

    run(work)


def test_while_the_store_fails_the_states_of_calipers_are_still_told(tmp_path):
    async def first() -> list[Event]:
        engine = open_engine(f"sqlite:///{tmp_path}/none/shop.sqlite")
        signal = CommitSignal(engine)
        signal.attach(asyncio.get_running_loop())
        sources = Sources(
            engine,
            signal,
            lambda _: [LISTENING],
            lambda _: False,
            lambda _: WHOLE,
            Called(signal.notify),
            sentence,
        )
        stream = Live(sources).follow("main", 0)
        lines = aiter(stream.body_iterator)
        try:
            async with asyncio.timeout(60):
                assert await anext(lines) == b"retry: 1000\n\n"
                return events(await anext(lines))  # type: ignore[arg-type]
        finally:
            signal.close()

    ((number, kind, told),) = asyncio.run(first())
    assert (number, kind, told["state"]) == (None, "caliper", "listening")


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


def test_a_state_that_a_new_reader_notices_is_told_to_the_others_too(person, server, monkeypatch):
    monkeypatch.setattr(live, "_STILL_HERE_S", 3600)
    person.start()
    begun = latest(person)

    async def work() -> None:
        async with room(server, LISTENING) as here:
            first = here.ear(begun)
            await asyncio.to_thread(person.press, "12.30")
            here.signal.notify()
            await first.until(await asyncio.to_thread(latest, person))
            waiting = asyncio.create_task(first.listen())
            await asyncio.sleep(0)  # it has nothing to hear, and waits
            assert not waiting.done()
            here.states = [CaliperState("main", "six-inch", "unplugged", "plug it in")]
            second = here.ear(begun)
            while not second.heard:
                await second.listen()
            assert [e["state"] for *_, e in second.heard] == ["unplugged"]
            await waiting
            assert first.heard[-1][2]["state"] == "unplugged"

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


@ON_SQLITE
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
