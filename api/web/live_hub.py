"""The latest events of one bench, for its readers; and what they are made from."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import TimeoutError as NoConnectionFree

from api.instruments.called import Called
from api.store.commit_signal import CommitSignal
from api.store.rows import events
from api.web.live_messages import (
    LAST_IS_ENOUGH,
    WHOLE,
    Calipers,
    Message,
    StoredEvent,
    Told,
    messages,
    said,
    state_message,
    superseded,
)
from api.web.shapes.benches import StoreOut

PAGE: Final = 256
"""Events read from the store, and handed to a reader, at once."""

ASK_AGAIN_S: Final = 1.0
"""How long a store that does not answer is left alone."""

_KEPT: Final = 1024
"""The latest events of a bench that its hub keeps."""
# Messages made at once of those that a reader was away for.
_MADE_TOGETHER: Final = 32
# Of the time, what scores take at most is one part in so many: readings come first, however long
# a series is and however many benches there are.
_SCORES_SHARE: Final = 16


@dataclass(frozen=True, slots=True)
class Sources:
    """What live events are made from.

    store: the store as a bench's page needs to know it, now. called: what calipers are called.
    met: what an error says of the store, empty where it is not the store's.
    """

    engine: Engine
    signal: CommitSignal
    calipers: Calipers
    pretends: Callable[[str], bool]
    store: Callable[[str], StoreOut]
    called: Called
    met: Callable[[Exception], str]
    # One thread at a time for scores, one for readers far behind: the others are for readings.
    scoring: asyncio.Semaphore = field(default_factory=lambda: asyncio.Semaphore(1))
    paging: asyncio.Semaphore = field(default_factory=lambda: asyncio.Semaphore(1))

    async def store_fails(self, error: Exception) -> bool:
        """Whether `error` says that the store is unreachable, busy or damaged: it is read again."""
        if isinstance(error, NoConnectionFree):
            return True
        return bool(await asyncio.to_thread(self.met, error))

    def messages(self, connection: Connection, found: Sequence[StoredEvent]) -> list[Message]:
        """The messages of events, made in a thread."""
        if any(event.kind == "caliper name" for event in found):
            self.called.read(connection)
        return messages(connection, found, self.calipers, self.pretends)

    def made(self, found: Sequence[StoredEvent]) -> list[Message]:
        """The same, on a connection of its own."""
        with self.engine.connect() as connection:
            return self.messages(connection, found)


@dataclass(slots=True)
class Entry:
    """An event of the store; `message` is None until it is made. soon: it is about to be made."""

    event: StoredEvent
    message: Message | None = None
    soon: bool = False


class Hub:
    """The latest events of one bench, made once for all of its readers.

    `_kept` holds, by number, every event of the bench after `start` that was committed until the
    store was read last, except those that a later one makes needless. They are made in the order
    of their numbers and handed out in it; scores are made beside the others, so that a reading
    never waits for one that is needless by then.
    """

    def __init__(self, bench: str, sources: Sources) -> None:
        self.bench = bench
        self.readers = 0
        self.start: int | None = None  # None until the store was read
        self.news = asyncio.Event()  # another one after each change
        self.bench_id: int | None = None  # None until an event has told it
        self.store = WHOLE
        self.failed = False
        self.sources = sources
        self._kept: dict[int, Entry] = {}
        # Those of them that may not be made yet: only these are looked through at each press.
        self._waiting: dict[int, Entry] = {}
        self._end = 0
        # Only what comes after this number is made: no reader asks for the others.
        self._wanted: int | None = None
        self._unmade = asyncio.Event()
        self._states: dict[str, tuple[tuple[str, str, str], bytes]] = {}

    @property
    def over(self) -> bool:
        return self.failed or self.sources.signal.closed

    def fail(self) -> None:
        """End the streams of all readers, who come again."""
        self.failed = True
        self.wake()

    # ------------------------------------------------------------ what readers ask

    def after(self, number: int) -> list[tuple[int, Message]]:
        """The next events after `number`, which is `start` or later; none where they are still
        being made."""
        if self._wanted is None or number < self._wanted:
            self._wanted = number
            self._unmade.set()
        waiting: list[Entry] = []
        for entry in reversed(self._kept.values()):
            if entry.event.id <= number:
                break
            waiting.append(entry)
        found: list[tuple[int, Message]] = []
        for entry in reversed(waiting[-PAGE:]):
            if entry.message is None:
                break
            found.append((entry.event.id, entry.message))
        return found

    async def page(self, number: int, start: int) -> tuple[int, list[Message]]:
        """The next events after `number` up to `start` from the store, and how far they reach."""
        async with self.sources.paging:
            found = await asyncio.to_thread(self._page, number, start)
        self.look()  # a bench in it may tell newer states
        return found

    def look(self, *, afresh: bool = False) -> None:
        """Note the states of the calipers and of the store now, and wake the readers where one has
        changed; `afresh` also notes what is no news, as when a caliper was heard last."""
        store = self.sources.store(self.bench)
        states, changed = {}, store != self.store
        self.store = store
        for state in self.sources.calipers(self.bench):
            before, now = self._states.get(state.caliper), said(state)
            if before is None or before[0] != now:
                changed = True
            if before is None or before[0] != now or afresh:
                before = now, state_message(state)
            states[state.caliper] = before
        self._states = states
        if changed:
            self.wake()

    def states(self, told: Told) -> Iterator[bytes]:
        """The states of calipers that differ from those told, which they are then."""
        for caliper, (now, text) in self._states.items():
            if told.get(caliper) != now:
                told[caliper] = now
                yield text

    # ------------------------------------------------------------ what the feed brings

    def begin(self, found: Sequence[StoredEvent]) -> None:
        """Take the latest events of the bench, at most `PAGE`."""
        self.start = found[0].id - 1 if len(found) == PAGE else 0
        self.add([Entry(event) for event in found])

    def add(self, fresh: Sequence[Entry]) -> None:
        """Take the next events, as far as they are not there yet."""
        for entry in fresh:
            if entry.event.id <= self._end:
                continue
            self.bench_id = entry.event.bench_id
            if entry.event.kind in LAST_IS_ENOUGH:
                self._drop_before(entry.event)
            self._kept[entry.event.id] = self._waiting[entry.event.id] = entry
            self._end = entry.event.id
        while len(self._kept) > _KEPT:
            self.start = next(iter(self._kept))
            self._forget(self.start)
        self.tell()

    def tell(self) -> None:
        """Wake the readers for new messages, and make what is not made. A bench holds states of
        calipers too, so those that are told after it must not be older."""
        self._unmade.set()
        self.look()
        self.wake()

    def wake(self) -> None:
        news, self.news = self.news, asyncio.Event()
        news.set()

    def _drop_before(self, event: StoredEvent) -> None:
        """Forget the event that this one makes needless, whether a reader has it or not."""
        for number, entry in reversed(self._kept.items()):
            if (entry.event.kind, entry.event.subject) == (event.kind, event.subject):
                self._forget(number)
                return

    def _forget(self, number: int) -> None:
        del self._kept[number]
        self._waiting.pop(number, None)

    # ------------------------------------------------------------ what is made beside it

    async def make_rest(self) -> None:
        """Make what the feed does not: scores, and what a reader was away for; for ever."""
        while True:
            entries = self._next_unmade()
            if not entries:
                self._unmade.clear()
                await self._unmade.wait()
                continue
            async with self.sources.scoring:
                began = time.monotonic()
                try:
                    made = await asyncio.to_thread(self.sources.made, [e.event for e in entries])
                except Exception as error:
                    if not await self.sources.store_fails(error):
                        raise
                    await asyncio.sleep(ASK_AGAIN_S)
                    continue
                took = time.monotonic() - began
                for entry, message in zip(entries, made, strict=True):
                    entry.message = message
                self.tell()
                await asyncio.sleep((_SCORES_SHARE - 1) * took)

    def _next_unmade(self) -> list[Entry]:
        """The next entries to make, in order: a score by itself, of the others a few."""
        found: list[Entry] = []
        for number, entry in list(self._waiting.items()):
            if entry.message is not None:
                del self._waiting[number]
            if entry.message is not None or self._wanted is None or number <= self._wanted:
                continue
            if entry.soon:
                break
            if entry.event.kind == "score":
                return found or [entry]
            found.append(entry)
            if len(found) == _MADE_TOGETHER:
                break
        return found

    def _page(self, number: int, start: int) -> tuple[int, list[Message]]:
        with self.sources.engine.connect() as connection:
            # Twice as many as are sent: then a series that goes on is not scored for each page.
            found = events.events_after(connection, self.bench, number, 2 * PAGE)
            needless = superseded(found)
            page = [event for event in found[:PAGE] if event.id <= start]
            made = self.sources.messages(connection, [e for e in page if e.id not in needless])
        return page[-1].id if len(page) == PAGE else start, made
