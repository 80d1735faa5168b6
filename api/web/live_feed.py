"""Reads what is new in the store, once for all benches that have readers."""

from __future__ import annotations

import asyncio
import logging
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Final, NamedTuple

from api.store.commit_signal import Waiter
from api.store.publishing import Happened
from api.store.rows import events
from api.web.live_hub import ASK_AGAIN_S, PAGE, Entry, Hub, Sources
from api.web.live_messages import StoredEvent, reading_message, superseded

# Also without a word of a commit, in case one was not heard.
_LOOK_AGAIN_S: Final = 15.0
# What needs no reading: a reading is committed with all that is told of it; a trial and a score are
# made later.
_KNOWN: Final = ("reading", "trial", "score")
# No commit is of it: for what waits for news of the server alone.
_NO_BENCH: Final = 0

_log = logging.getLogger(__name__)


class _News(NamedTuple):
    """begun: the latest events of benches that are followed from now on. fresh: the next ones of
    the others, up to number `end`. more: there are others after it."""

    begun: dict[str, list[StoredEvent]]
    fresh: list[Entry]
    end: int
    more: bool


class Feed:
    """Hands the hubs the events of their benches while there are any hubs: readings at once, their
    trials after them. What comes in while it reads is read together, so many presses at a time
    cost little more than one.

    hubs: by their benches, as they are now; whoever adds one calls `look`.
    """

    def __init__(self, sources: Sources, hubs: Mapping[str, Hub]) -> None:
        self._sources = sources
        self._hubs = hubs
        self._end = 0
        self._waiter: Waiter | None = None
        self._task: asyncio.Task[None] | None = None

    def look(self) -> None:
        """Begin with new hubs, and begin at all where nothing runs."""
        if self._waiter is not None:
            self._waiter.benches = None
            self._waiter.set()
        elif self._task is None or self._task.done():
            self._task = asyncio.create_task(self._run(), name="live events")

    def stop(self) -> None:
        if self._task is not None:
            self._task.cancel()
            self._task, self._waiter = None, None

    async def _run(self) -> None:
        try:
            async with asyncio.TaskGroup() as tasks:
                states = tasks.create_task(self._tell_states())
                await self._follow()
                states.cancel()
        except* OSError as errors:  # no file is left for it; the readers come again
            _log.warning("live events: %s", errors.exceptions[0])
            self._fail()
        except* Exception as error:
            _log.error("live events", exc_info=error)
            self._fail()

    def _fail(self) -> None:
        self._waiter = None
        for hub in list(self._hubs.values()):
            hub.fail()

    async def _follow(self) -> None:
        """Read what is new whenever something was committed."""
        with self._waiting() as waiter:
            self._waiter = waiter
            while not self._sources.signal.closed:
                waiter.benches = self._benches()
                waiter.clear()  # before reading: later commits set it again
                wait_s = _LOOK_AGAIN_S
                try:
                    told, look = waiter.take()
                    look = not await self._take(told) or look or bool(self._new())
                    if look and await self._read():
                        waiter.look = True
                        continue
                except Exception as error:
                    if not await self._sources.store_fails(error):
                        raise
                    wait_s = ASK_AGAIN_S
                    waiter.look = True
                try:
                    async with asyncio.timeout(wait_s):
                        await waiter.wait()
                except TimeoutError:
                    waiter.look = True

    def _benches(self) -> Collection[int] | None:
        """The ids of the benches that have readers; None where not all are known."""
        ids = {hub.bench_id for hub in self._hubs.values()}
        return None if None in ids else {each for each in ids if each is not None}

    @contextmanager
    def _waiting(self) -> Iterator[Waiter]:
        waiter = self._sources.signal.join()
        try:
            yield waiter
        finally:
            self._sources.signal.leave(waiter)

    def _new(self) -> list[str]:
        """The benches that begin to be followed."""
        return [hub.bench for hub in self._hubs.values() if hub.start is None]

    async def _take(self, told: Sequence[Happened]) -> bool:
        """Take events as this process committed them; returns whether that was possible.

        It is where they are the next ones, so that none of another process lies between, and
        nothing needs to be read for them.
        """
        fresh = [event for event in told if event.id > self._end]
        if not fresh:
            return True
        if fresh[0].id != self._end + 1 or fresh[-1].id != self._end + len(fresh):
            return False
        if any(event.kind not in _KNOWN for event in fresh):
            return False
        entries = [
            Entry(
                event,
                reading_message(event, event.reading, self._sources.called)
                if event.reading
                else None,
                event.kind == "trial",
            )
            for event in fresh
            if event.bench in self._hubs
        ]
        self._end = fresh[-1].id
        await self._hand_out(entries)
        return True

    async def _read(self) -> bool:
        """Read the next events and make them; returns whether there are more."""
        begin = self._new()
        follow = [hub.bench for hub in self._hubs.values() if hub.start is not None]
        news = await asyncio.to_thread(self._news, begin, follow, self._end)
        self._end = news.end
        for bench, found in news.begun.items():
            if bench in self._hubs:
                self._hubs[bench].begin(found)
        await self._hand_out(news.fresh)
        return news.more

    async def _hand_out(self, fresh: Sequence[Entry]) -> None:
        by_bench: dict[str, list[Entry]] = defaultdict(list)
        for entry in fresh:
            by_bench[entry.event.bench].append(entry)
        for bench, entries in by_bench.items():
            hub = self._hubs.get(bench)
            if hub is not None and hub.start is not None:
                hub.add(entries)
        await self._make_trials([entry for entry in fresh if entry.soon])

    async def _make_trials(self, entries: Sequence[Entry]) -> None:
        """Make the trials of what was read: after its readings, which must be heard of at once, and
        before any score, which may take long."""
        if not entries:
            return
        try:
            made = await asyncio.to_thread(self._sources.made, [e.event for e in entries])
            for entry, message in zip(entries, made, strict=True):
                entry.message = message
        finally:
            for entry in entries:
                entry.soon = False  # where the store is away, it is made with the rest
            for bench in {entry.event.bench for entry in entries}:
                if bench in self._hubs:
                    self._hubs[bench].tell()

    def _news(self, begin: Sequence[str], follow: Sequence[str], after: int) -> _News:
        """In a thread. Trials and scores are left to be made after the others."""
        with self._sources.engine.connect() as connection:
            # First: what is committed during the next queries is read the next time.
            last = events.last_event_id(connection)
            begun = {bench: events.latest_events(connection, bench, PAGE) for bench in begin}
            found: Sequence[StoredEvent] = ()
            if follow and last > after:
                found = events.news(connection, follow, after, last, PAGE)
            needless = superseded(found)
            now = [e for e in found if e.kind not in ("trial", "score") and e.id not in needless]
            made = dict(
                zip((e.id for e in now), self._sources.messages(connection, now), strict=True)
            )
        fresh = [Entry(event, made.get(event.id), event.kind == "trial") for event in found]
        more = len(found) == PAGE
        return _News(begun, fresh, found[-1].id if more else last, more)

    async def _tell_states(self) -> None:
        """Tell the states of calipers when they change, also while the store does not answer: it is
        then that they matter most."""
        with self._waiting() as waiter:
            waiter.benches = (_NO_BENCH,)
            while not self._sources.signal.closed:
                waiter.clear()
                for hub in list(self._hubs.values()):
                    hub.look()
                await waiter.wait()
            # At the end of the program, while reading may wait for the store.
            for hub in list(self._hubs.values()):
                hub.wake()
