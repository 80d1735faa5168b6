"""Readers of live events, in the process of the test."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from typing import Any

from api.server import Server
from api.store.commit_signal import CommitSignal
from api.web.live import EventStream, Live
from api.web.live_hub import Sources
from api.web.live_messages import WHOLE
from capture.records import CaliperState
from tests.api.bench import Person
from tests.ptys import PATIENCE_S

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
        self.store = WHOLE
        sources = Sources(
            server.engine,
            signal,
            self._calipers,
            lambda _: False,
            lambda _: self.store,
            server.called,
            server.condition.met,
        )
        self.live = Live(sources, most=30)

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


def latest(person: Person) -> int:
    number: int = person.get("/api/benches/main")["last_event"]
    return number


def run(work: Callable[[], Coroutine[Any, Any, None]]) -> None:
    asyncio.run(work())
