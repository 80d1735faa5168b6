"""Live streams: each event of a bench is read and made once, for all of its readers.

Each bench that has readers has a hub, which keeps its latest messages by the store's own event
numbers; the feed brings them. A reader is a position in them and nothing more: it takes what comes
after the number it saw last when its connection has room, so a slow one holds up nobody. One that
is further behind than what the hub keeps reads the store in pages until it is not. So a reader that
was disconnected, or is connected to another process, misses nothing and gets nothing twice. The
states of calipers are sent separately, and so is the state of the store: they are known without it,
and most needed when it fails.

All of this runs on the event loop; only what reads the store runs in threads.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Callable
from contextlib import aclosing
from typing import Final

from fastapi import HTTPException
from fastapi.responses import StreamingResponse
from starlette.types import Receive, Scope, Send

from api.web.live_feed import Feed
from api.web.live_hub import ASK_AGAIN_S, Hub, Sources
from api.web.live_messages import WHOLE, Told, store_message

PATH: Final = "/api/live"
"""Where they are asked for."""

MOST_READERS: Final = 1000
"""How many readers one server serves, of all benches together; each is an open file."""

# A line now and then, so that both sides notice a dead connection.
_STILL_HERE_S: Final = 15.0
_COME_AGAIN_S: Final = 15

_log = logging.getLogger(__name__)


class Live:
    """The live streams of one server; used on its event loop alone."""

    def __init__(self, sources: Sources, most: int = MOST_READERS) -> None:
        self.readers = 0
        self._sources = sources
        self._most = most
        self._hubs: dict[str, Hub] = {}
        self._making: dict[Hub, asyncio.Task[None]] = {}
        self._feed = Feed(sources, self._hubs)

    def follow(self, bench: str, after: int) -> EventStream:
        """The answer with Server-Sent Events (WHATWG HTML, 9.2) of a bench, from event number
        `after` on.

        Raises HTTPException (503) where there are too many readers.
        """
        if self.readers >= self._most:
            raise HTTPException(
                503,
                f"{self._most} pages and programs follow live events here, and this server serves"
                " no more at once; close some that nobody looks at, then try again",
                {"Retry-After": str(_COME_AGAIN_S)},
            )
        hub = self._hubs.get(bench)
        if hub is None or hub.over:
            hub = self._hubs[bench] = Hub(bench, self._sources)
            self._making[hub] = asyncio.create_task(self._make(hub), name=f"scores of {bench}")
            self._feed.look()
        self.readers += 1
        hub.readers += 1
        return EventStream(_Reader(hub, after).chunks(), lambda: self._leave(hub))

    async def _make(self, hub: Hub) -> None:
        try:
            await hub.make_rest()
        except OSError as error:  # no file is left for it; the readers come again
            _log.warning("the live events of bench %s: %s", hub.bench, error)
            hub.fail()
        except Exception:
            _log.exception("the live events of bench %s", hub.bench)
            hub.fail()

    def _leave(self, hub: Hub) -> None:
        self.readers -= 1
        hub.readers -= 1
        if hub.readers:
            return
        self._making.pop(hub).cancel()
        if self._hubs.get(hub.bench) is hub:
            del self._hubs[hub.bench]
        if not self._hubs:
            self._feed.stop()


class EventStream(StreamingResponse):
    """Sends `chunks`, and calls `left` when that has ended, however it did."""

    def __init__(self, chunks: AsyncIterator[bytes], left: Callable[[], None]) -> None:
        headers = {"Cache-Control": "no-store", "X-Accel-Buffering": "no"}
        super().__init__(chunks, media_type="text/event-stream", headers=headers)
        self.left = left

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            async with aclosing(self.body_iterator):  # type: ignore[type-var]
                await super().__call__(scope, receive, send)
        finally:
            self.left()


class _Reader:
    """One reader of a bench: how far it has come."""

    def __init__(self, hub: Hub, after: int) -> None:
        self._hub = hub
        self._after = after
        self._told: Told = {}
        self._told_store = WHOLE

    async def chunks(self) -> AsyncIterator[bytes]:
        """Server-Sent Events, and a comment where there is none for a while."""
        hub = self._hub
        yield b"retry: 1000\n\n"
        hub.look(afresh=True)
        while not hub.over:
            news = hub.news  # before looking: what comes later sets it
            if states := b"".join(hub.states(self._told)):
                yield states
            if hub.store != self._told_store:
                self._told_store = hub.store
                yield store_message(hub.store)
            wait_s = _STILL_HERE_S
            try:
                chunk = await self._next()
            except Exception as error:
                if not await hub.sources.store_fails(error):
                    raise
                chunk, wait_s = None, ASK_AGAIN_S
            if chunk is not None:
                if chunk:
                    yield chunk
                continue
            try:
                async with asyncio.timeout(wait_s):
                    await news.wait()
            except TimeoutError:
                yield b": still here\n\n"

    async def _next(self) -> bytes | None:
        """The bytes of the next events, None where there are none now."""
        start = self._hub.start
        if start is None:
            return None
        if self._after < start:
            self._after, found = await self._hub.page(self._after, start)
        else:
            numbered = self._hub.after(self._after)
            if not numbered:
                return None
            self._after = numbered[-1][0]
            found = [message for _, message in numbered]
        for message in found:
            if message.told is not None:
                self._told = dict(message.told)
        return b"".join(message.text for message in found)
