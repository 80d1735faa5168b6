"""Live events to readers: a signal that something was committed, and the store's own numbers.

A reader always reads the store for what comes after the number it saw last. The signal
only says when to look, so a reader that was away, or listens to another process, misses
nothing and is told nothing twice.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from typing import Any, Final

from fastapi.encoders import jsonable_encoder
from sqlalchemy import Connection, Engine, Row
from sqlalchemy.exc import OperationalError

from api.shapes import CaliperOut
from api.store import queries
from api.store.watch import Watch

# A line now and then, so that a dead connection is noticed by either side.
_STILL_HERE_S: Final = 15.0
_ASK_AGAIN_S: Final = 1.0


Calipers = Callable[[str], list[CaliperOut]]
"""How the calipers of a bench fare now."""


class Signal:
    """Wakes everybody who waits for commits. `notify` may be called from any thread.

    What other processes commit to the store of `engine` is watched for as long as somebody
    waits.
    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._watch: Watch | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._waiters: set[asyncio.Event] = set()
        self.closed = False

    def attach(self, loop: asyncio.AbstractEventLoop) -> None:
        """Say on which loop the waiters wait."""
        self._loop = loop

    def notify(self) -> None:
        loop = self._loop
        if loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(self._wake)

    def close(self) -> None:
        """End every stream: the program stops."""
        self.closed = True
        self._unwatch()
        self.notify()

    def _wake(self) -> None:
        for waiter in self._waiters:
            waiter.set()

    def join(self) -> asyncio.Event:
        """Wait from now on; from the loop's thread, as `leave`."""
        waiter = asyncio.Event()
        self._waiters.add(waiter)
        if self._watch is None and not self.closed:
            self._watch = Watch(self._engine, self.notify)
        return waiter

    def leave(self, waiter: asyncio.Event) -> None:
        self._waiters.discard(waiter)
        if not self._waiters:
            self._unwatch()

    def _unwatch(self) -> None:
        watch, self._watch = self._watch, None
        if watch is not None:
            watch.stop()


async def stream(
    engine: Engine, signal: Signal, bench: str, after: int, calipers: Calipers, pretend: bool
) -> AsyncIterator[str]:
    """Server-Sent Events (WHATWG HTML, 9.2) of a bench, from event number `after` on."""
    waiter = signal.join()
    try:
        yield "retry: 1000\n\n"
        while not signal.closed:
            waiter.clear()  # before reading: what is committed from here on sets it again
            patience = _STILL_HERE_S
            try:
                seen, messages = await asyncio.to_thread(
                    _messages, engine, bench, after, calipers, pretend
                )
            except OperationalError:  # the store is away; what comes meanwhile is read then
                seen, messages, patience = after, [], _ASK_AGAIN_S
            if messages:
                yield "".join(messages)
            if seen > after:
                after = seen
                continue
            try:
                await asyncio.wait_for(waiter.wait(), patience)
            except TimeoutError:
                yield ": still here\n\n"
    finally:
        signal.leave(waiter)


def _messages(
    engine: Engine, bench: str, after: int, calipers: Calipers, pretend: bool
) -> tuple[int, list[str]]:
    with engine.connect() as connection:
        events = queries.events_after(connection, bench, after)
        # A score says what all trials up to now say: of several, the last is enough.
        latest = {(e.kind, e.subject): e.id for e in events if e.kind in ("score", "bench")}
        messages: list[str] = []
        for event in events:
            if latest.get((event.kind, event.subject), event.id) == event.id:
                if event.kind == "score" and messages:
                    break  # it takes a while to work out; what is ready goes out first
                data = _data(connection, bench, event, calipers(bench), pretend)
                messages.append(_message(event, data))
            after = event.id
    return after, messages


def _data(
    connection: Connection, bench: str, event: Row[Any], calipers: list[CaliperOut], pretend: bool
) -> Any:
    match event.kind:
        case "reading":
            return queries.reading(connection, event.subject, event.data)
        case "trial":
            return queries.trial(connection, event.subject)
        case "score":
            return {"series": event.subject, "score": queries.score(connection, event.subject)}
        case "refusal":
            return queries.refusal(connection, event.subject)
        case "bench":
            return queries.bench(connection, bench, calipers, pretend)
        case _:
            return event.data


def _message(event: Row[Any], data: Any) -> str:
    text = json.dumps(jsonable_encoder(data), separators=(",", ":"))
    return f"id: {event.id}\nevent: {event.kind}\ndata: {text}\n\n"
