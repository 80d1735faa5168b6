"""A week of pressing does not fill the memory: what is finished is in the store alone.

What must grow is the series that is open: each of its readings is held until another one starts.
"""

from __future__ import annotations

import asyncio
import gc
import tracemalloc
from collections.abc import Callable, Iterator
from pathlib import Path
from uuid import UUID

import pytest

from api.server import Server
from api.settings import Settings
from api.web.live import Live
from api.web.live_hub import Sources
from api.web.live_messages import WHOLE
from capture.records import Reading
from tests.api.entries import new_series, reading

A_SERIES = 20
# Bytes a reading; a reading alone, kept by mistake, has some 500 of them.
NOTHING = 200
OPEN = 1200


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    made = Server(Settings(data=tmp_path))
    yield made
    made.close()


@pytest.fixture
def held(server: Server) -> Iterator[Callable[[], int]]:
    """Bytes held of what was allocated since the test began to ask."""

    def now() -> int:
        # A connection to SQLite lists its latest cursors, up to two hundred that are gone.
        server.engine.dispose()
        gc.collect()
        if not tracemalloc.is_tracing():
            tracemalloc.start()
        return tracemalloc.get_traced_memory()[0]

    yield now
    tracemalloc.stop()


class Shop:
    """A bench that is pressed at, and two readers of its live events."""

    def __init__(self, server: Server) -> None:
        self._server = server
        self._machine: UUID = server.journal.add_machine("Window saw", "other")
        self._pressed = 0

    def _press(self, count: int) -> None:
        found: list[Reading] = []
        for _ in range(count):
            self._pressed += 1
            found.append(reading(f"{10 + self._pressed % 9000 / 100:.2f}"))
        self._server.journal.keep(found)

    async def press(self, readings: int, a_series: int | None = None) -> None:
        """`readings` into series of so many each, or into the running one, with what they bring to
        two readers."""
        server = self._server
        server.signal.attach(asyncio.get_running_loop())
        sources = Sources(
            server.engine,
            server.signal,
            server.calipers,
            server.pretends,
            lambda _: WHOLE,
            server.called,
            server.condition.met,
        )
        live = Live(sources)
        streams = [live.follow("main", 0) for _ in range(2)]
        heard = [asyncio.create_task(_drain(stream)) for stream in streams]
        for start in range(0, readings, A_SERIES):
            if a_series and start % a_series == 0:
                await asyncio.to_thread(server.journal.start, new_series(self._machine))
            await asyncio.to_thread(self._press, A_SERIES)
        for task, stream in zip(heard, streams, strict=True):
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
            await stream.body_iterator.aclose()  # type: ignore[union-attr]
            stream.left()


async def _drain(stream: object) -> None:
    async for _ in stream.body_iterator:  # type: ignore[attr-defined]
        pass


def test_readings_of_finished_series_stay_in_no_memory(server, held):
    shop = Shop(server)
    grown = []
    for _ in range(8):
        before = held()
        asyncio.run(shop.press(100, a_series=A_SERIES))
        grown.append((held() - before) / 100)
    # What is made once (a compiled statement, a table of more room) comes in the first half
    # dozen parts; what is kept of a reading comes in every part.
    assert sorted(grown)[1] < NOTHING


def test_an_open_series_holds_its_readings_until_the_next_one(server, held):
    shop = Shop(server)
    # Statements are compiled when they first run: not in what is held of readings.
    for _ in range(2):
        asyncio.run(shop.press(200, a_series=100))
    before = held()
    asyncio.run(shop.press(600))
    open_series = held() - before
    assert open_series / 600 < OPEN
    asyncio.run(shop.press(A_SERIES, a_series=A_SERIES))
    assert held() - before < open_series / 3
