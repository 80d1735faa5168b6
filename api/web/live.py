"""Live streams: each event of a bench is read and made once, for all of its readers.

Each bench that has readers has a hub. It reads new events from the store when a signal says that
something was committed, and keeps the latest messages by the store's own event numbers. A reader
is a position in them and nothing more: it takes what comes after the number it saw last when its
connection has room, so a slow one holds up nobody. One that is further behind than what the hub
keeps reads the store in pages until it is not. So a reader that was disconnected, or is connected
to another process, misses nothing and gets nothing twice. The states of calipers are sent
separately, and so is the state of the store: they are known without it, and most needed when it
fails.

All of this runs on the event loop; only what reads the store runs in threads.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import aclosing, contextmanager, suppress
from dataclasses import dataclass
from typing import Any, Final

from fastapi import HTTPException
from fastapi.responses import StreamingResponse
from sqlalchemy import Engine, Row
from sqlalchemy.exc import TimeoutError as NoConnectionFree
from starlette.types import Receive, Scope, Send

from api.store.commit_signal import CommitSignal, Waiter
from api.store.rows import events
from api.web.live_messages import (
    LAST_IS_ENOUGH,
    WHOLE,
    Calipers,
    Message,
    Told,
    messages,
    said,
    state_message,
    store_message,
    superseded,
)
from api.web.shapes import StoreOut

PATH: Final = "/api/live"
"""Where they are asked for."""

MOST_READERS: Final = 1000
"""How many readers one server serves, of all benches together; each is an open file."""

# A line now and then, so that both sides notice a dead connection.
_STILL_HERE_S: Final = 15.0
_ASK_AGAIN_S: Final = 1.0
_COME_AGAIN_S: Final = 15
_PAGE: Final = 256
"""Events read from the store, and handed to a reader, at once."""
_KEPT: Final = 1024
"""The latest events of a bench that its hub keeps."""
# No commit is of it: for what waits for news of the server alone.
_NO_BENCH: Final = 0
# Messages made at once of those that a reader was away for.
_MADE_TOGETHER: Final = 32

_log = logging.getLogger(__name__)


class Live:
    """The live streams of one server; used on its event loop alone.

    store: the store as a bench's page needs to know it, now. met: what an error says of the store,
    empty where it is not the store's.
    """

    def __init__(
        self,
        engine: Engine,
        signal: CommitSignal,
        calipers: Calipers,
        pretends: Callable[[str], bool],
        store: Callable[[str], StoreOut],
        met: Callable[[Exception], str],
        most: int = MOST_READERS,
    ) -> None:
        self.engine = engine
        self.signal = signal
        self.calipers = calipers
        self.pretends = pretends
        self.store = store
        self._met = met
        self._most = most
        self.readers = 0
        self._hubs: dict[str, _Hub] = {}
        # One thread at a time for scores, one for readers far behind: the others are for readings.
        self.scoring = asyncio.Semaphore(1)
        self.paging = asyncio.Semaphore(1)

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
            hub = self._hubs[bench] = _Hub(self, bench)
        self.readers += 1
        hub.readers += 1
        return EventStream(_Reader(hub, after).chunks(), lambda: self._leave(hub))

    async def store_fails(self, error: Exception) -> bool:
        """Whether `error` says that the store is unreachable, busy or damaged: it is read again."""
        if isinstance(error, NoConnectionFree):
            return True
        return bool(await asyncio.to_thread(self._met, error))

    def _leave(self, hub: _Hub) -> None:
        self.readers -= 1
        hub.readers -= 1
        if not hub.readers:
            hub.close()
            if self._hubs.get(hub.bench) is hub:
                del self._hubs[hub.bench]


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


@dataclass(slots=True)
class _Entry:
    """An event of the store; `message` is None until it is made. soon: it is about to be made."""

    event: Row[Any]
    message: Message | None = None
    soon: bool = False


class _Hub:
    """The latest events of one bench, made once for all of its readers.

    `_kept` holds, by number, every event of the bench after `start` that was committed until the
    store was read last, except those that a later one makes needless. They are made in the order
    of their numbers and handed out in it; scores are made beside the others, so that a reading
    never waits for one that is needless by then.
    """

    def __init__(self, live: Live, bench: str) -> None:
        self.bench = bench
        self.readers = 0
        self.start: int | None = None  # None until the store was read
        self.news = asyncio.Event()  # another one after each change
        self.live = live
        self._kept: dict[int, _Entry] = {}
        self._end = 0
        # Only what comes after this number is made: no reader asks for the others.
        self._wanted: int | None = None
        self._unmade = asyncio.Event()
        # Known once an event has told it.
        self._bench_id: int | None = None
        self.store = WHOLE
        self._states: dict[str, tuple[tuple[str, str], bytes]] = {}
        self._task = asyncio.create_task(self._run(), name=f"live events of {bench}")
        self._failed = False

    @property
    def over(self) -> bool:
        return self._failed or self.live.signal.closed

    def close(self) -> None:
        self._task.cancel()

    # ------------------------------------------------------------ what readers ask

    def after(self, number: int) -> list[tuple[int, Message]]:
        """The next events after `number`, which is `start` or later; none where they are still
        being made."""
        if self._wanted is None or number < self._wanted:
            self._wanted = number
            self._unmade.set()
        waiting: list[_Entry] = []
        for entry in reversed(self._kept.values()):
            if entry.event.id <= number:
                break
            waiting.append(entry)
        found: list[tuple[int, Message]] = []
        for entry in reversed(waiting[-_PAGE:]):
            if entry.message is None:
                break
            found.append((entry.event.id, entry.message))
        return found

    async def page(self, number: int, start: int) -> tuple[int, list[Message]]:
        """The next events after `number` up to `start` from the store, and how far they reach."""
        async with self.live.paging:
            found = await asyncio.to_thread(self._page, number, start)
        self.look()  # a bench in it may tell newer states
        return found

    def look(self, *, afresh: bool = False) -> None:
        """Note the states of the calipers and of the store now, and wake the readers where one has
        changed; `afresh` also notes what is no news, as when a caliper was heard last."""
        store = self.live.store(self.bench)
        states, changed = {}, store != self.store
        self.store = store
        for state in self.live.calipers(self.bench):
            before, now = self._states.get(state.caliper), said(state)
            if before is None or before[0] != now:
                changed = True
            if before is None or before[0] != now or afresh:
                before = now, state_message(state)
            states[state.caliper] = before
        self._states = states
        if changed:
            self._wake()

    def states(self, told: Told) -> Iterator[bytes]:
        """The states of calipers that differ from those told, which they are then."""
        for caliper, (now, text) in self._states.items():
            if told.get(caliper) != now:
                told[caliper] = now
                yield text

    # ------------------------------------------------------------ what runs

    async def _run(self) -> None:
        try:
            async with asyncio.TaskGroup() as tasks:
                beside = [
                    tasks.create_task(each) for each in (self._tell_states(), self._make_rest())
                ]
                await self._follow()
                for each in beside:
                    each.cancel()
        except* OSError as errors:  # no file is left for it; the readers come again
            _log.warning("the live events of bench %s: %s", self.bench, errors.exceptions[0])
            self._failed = True
        except* Exception as error:
            _log.error("the live events of bench %s", self.bench, exc_info=error)
            self._failed = True
        finally:
            self._wake()

    async def _tell_states(self) -> None:
        """Tell the states of calipers when they change, also while the store does not answer: it is
        then that they matter most."""
        with self._waiting(_NO_BENCH) as waiter:
            while not self.over:
                waiter.clear()
                self.look()
                await waiter.wait()
            self._wake()  # at the end of the program, while reading may wait for the store

    @contextmanager
    def _waiting(self, bench_id: int | None = None) -> Iterator[Waiter]:
        waiter = self.live.signal.join()
        waiter.bench_id = bench_id
        try:
            yield waiter
        finally:
            self.live.signal.leave(waiter)

    async def _follow(self) -> None:
        """Read what is new whenever something was committed."""
        with self._waiting() as waiter:
            while not self.over:
                waiter.bench_id = self._bench_id
                waiter.clear()  # before reading: later commits set it again
                wait_s = _STILL_HERE_S
                try:
                    if await self._read() == _PAGE:
                        continue
                except Exception as error:
                    if not await self.live.store_fails(error):
                        raise
                    wait_s = _ASK_AGAIN_S
                with suppress(TimeoutError):
                    async with asyncio.timeout(wait_s):
                        await waiter.wait()

    async def _read(self) -> int:
        """Read the next events and make them; returns how many there were."""
        if self.start is None:
            self._begin(await asyncio.to_thread(self._latest))
            return 0
        fresh = await asyncio.to_thread(self._fresh, self._end)
        if fresh:
            self._add(fresh)
            await self._make_trials(fresh)
        return len(fresh)

    async def _make_trials(self, fresh: list[_Entry]) -> None:
        """Make the trials of what was read: after its readings, which must be heard of at once, and
        before any score, which may take long."""
        entries = [e for e in fresh if e.soon]
        try:
            if entries:
                made = await asyncio.to_thread(self._made, [e.event for e in entries])
                for entry, message in zip(entries, made, strict=True):
                    entry.message = message
                self._tell()
        finally:
            for entry in entries:
                entry.soon = False  # where the store is away, it is made with the rest
            self._unmade.set()

    async def _make_rest(self) -> None:
        """Make what is not made as it is read: scores, and what a reader was away for."""
        while True:
            entries = self._next_unmade()
            if not entries:
                self._unmade.clear()
                await self._unmade.wait()
                continue
            async with self.live.scoring:
                began = time.monotonic()
                try:
                    made = await asyncio.to_thread(self._made, [e.event for e in entries])
                except Exception as error:
                    if not await self.live.store_fails(error):
                        raise
                    await asyncio.sleep(_ASK_AGAIN_S)
                    continue
                took = time.monotonic() - began
                for entry, message in zip(entries, made, strict=True):
                    entry.message = message
                self._tell()
                # At most half of the time: however long a series is, readings come first.
                await asyncio.sleep(took)

    def _next_unmade(self) -> list[_Entry]:
        """The next entries to make, in order: a score by itself, of the others a few."""
        found: list[_Entry] = []
        for entry in self._kept.values():
            if entry.message is not None or self._wanted is None or entry.event.id <= self._wanted:
                continue
            if entry.soon:
                break
            if entry.event.kind == "score":
                return found or [entry]
            found.append(entry)
            if len(found) == _MADE_TOGETHER:
                break
        return found

    def _begin(self, found: list[Row[Any]]) -> None:
        self.start = found[0].id - 1 if len(found) == _PAGE else 0
        self._add([_Entry(event) for event in found])

    def _add(self, fresh: list[_Entry]) -> None:
        if fresh:
            self._bench_id = fresh[0].event.bench_id
        for entry in fresh:
            if entry.event.kind in LAST_IS_ENOUGH:
                self._drop_before(entry.event)
            self._kept[entry.event.id] = entry
            self._end = entry.event.id
        while len(self._kept) > _KEPT:
            self.start = next(iter(self._kept))
            del self._kept[self.start]
        self._unmade.set()
        self._tell()

    def _drop_before(self, event: Row[Any]) -> None:
        """Forget the event that this one makes needless, whether a reader has it or not."""
        for number, entry in reversed(self._kept.items()):
            if (entry.event.kind, entry.event.subject) == (event.kind, event.subject):
                del self._kept[number]
                return

    def _tell(self) -> None:
        """Wake the readers for new messages. A bench holds states of calipers too, so those that
        are told after it must not be older."""
        self.look()
        self._wake()

    def _wake(self) -> None:
        news, self.news = self.news, asyncio.Event()
        news.set()

    # ------------------------------------------------------------ in a thread

    def _latest(self) -> list[Row[Any]]:
        with self.live.engine.connect() as connection:
            return events.latest_events(connection, self.bench, _PAGE)

    def _fresh(self, end: int) -> list[_Entry]:
        """The next events after `end`; trials and scores are left to be made after the others."""
        with self.live.engine.connect() as connection:
            found = events.events_after(connection, self.bench, end, _PAGE)
            needless = superseded(found)
            now = [e for e in found if e.kind not in ("trial", "score") and e.id not in needless]
            made = dict(zip((e.id for e in now), self._messages(connection, now), strict=True))
        return [_Entry(event, made.get(event.id), event.kind == "trial") for event in found]

    def _made(self, found: list[Row[Any]]) -> list[Message]:
        with self.live.engine.connect() as connection:
            return self._messages(connection, found)

    def _page(self, number: int, start: int) -> tuple[int, list[Message]]:
        with self.live.engine.connect() as connection:
            # Twice as many as are sent: then a series that goes on is not scored for each page.
            found = events.events_after(connection, self.bench, number, 2 * _PAGE)
            needless = superseded(found)
            page = [event for event in found[:_PAGE] if event.id <= start]
            made = self._messages(connection, [e for e in page if e.id not in needless])
        return page[-1].id if len(page) == _PAGE else start, made

    def _messages(self, connection: Any, found: list[Row[Any]]) -> list[Message]:
        live = self.live
        states = live.calipers(self.bench)
        return messages(connection, self.bench, found, states, live.pretends(self.bench))


class _Reader:
    """One reader of a bench: how far it has come."""

    def __init__(self, hub: _Hub, after: int) -> None:
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
                if not await hub.live.store_fails(error):
                    raise
                chunk, wait_s = None, _ASK_AGAIN_S
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
