"""Live events: from the store, each once and in order, and calipers' states without it."""

from __future__ import annotations

import asyncio
import json
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.server import Server
from api.store.commit_signal import CommitSignal
from api.store.engine import open_engine
from api.web.live import stream
from capture.records import CaliperState
from tests.api.bench import Person

LISTENING = CaliperState("main", "six-inch", "listening")


def heard(
    server: Server, after: int, until: int, *states: CaliperState, bench: str = "main"
) -> list[tuple[int | None, str, Any]]:
    """The events of a stream begun after one number, until another was sent."""

    async def read() -> list[tuple[int | None, str, Any]]:
        signal = CommitSignal(server.engine)
        signal.attach(asyncio.get_running_loop())
        lines = stream(server.engine, signal, bench, after, lambda _: list(states), False)
        found: list[tuple[int | None, str, Any]] = []
        try:
            async with asyncio.timeout(60):
                async for text in lines:
                    found += events(text)
                    if any((number or 0) >= until for number, *_ in found):
                        return found
        finally:
            await lines.aclose()  # type: ignore[attr-defined]
            signal.close()
        return found

    return asyncio.run(read())


def events(text: str) -> list[tuple[int | None, str, Any]]:
    found = []
    for block in text.split("\n\n"):
        fields = dict(line.split(": ", 1) for line in block.splitlines() if ": " in line)
        if "event" in fields:
            number = int(fields["id"]) if "id" in fields else None
            found.append((number, fields["event"], json.loads(fields["data"])))
    return found


@pytest.fixture
def person(client: TestClient) -> Person:
    return Person(client)


def latest(person: Person) -> int:
    number: int = person.get("/api/benches/main")["last_event"]
    return number


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


def test_while_the_store_fails_the_states_of_calipers_are_still_told(tmp_path):
    async def first() -> list[tuple[int | None, str, Any]]:
        engine = open_engine(f"sqlite:///{tmp_path}/none/shop.sqlite")
        signal = CommitSignal(engine)
        signal.attach(asyncio.get_running_loop())
        lines = stream(engine, signal, "main", 0, lambda _: [LISTENING], False)
        try:
            async with asyncio.timeout(60):
                assert await anext(lines) == "retry: 1000\n\n"
                return events(await anext(lines))
        finally:
            await lines.aclose()  # type: ignore[attr-defined]
            signal.close()

    ((number, kind, told),) = asyncio.run(first())
    assert (number, kind, told["state"]) == (None, "caliper", "listening")
