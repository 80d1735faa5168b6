"""Live events: a signal that something was committed, and the store's own event numbers.

A reader always gets from the store what comes after the number it saw last. The signal only says
when to look, so a reader that was disconnected, or is connected to another process, misses nothing
and gets nothing twice. The states of calipers are sent separately: they are known without the
store, and most needed when it fails.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from typing import Any, Final

from fastapi.encoders import jsonable_encoder
from sqlalchemy import Connection, Engine, Row
from sqlalchemy.exc import DBAPIError

from api.answers import bench as benches
from api.answers import series
from api.store.commit_signal import CommitSignal
from api.store.rows import events
from api.web import convert
from capture.records import CaliperState

# A line now and then, so that both sides notice a dead connection.
_STILL_HERE_S: Final = 15.0
_ASK_AGAIN_S: Final = 1.0


Calipers = Callable[[str], list[CaliperState]]
"""The states of the calipers of a bench now."""


async def stream(
    engine: Engine, signal: CommitSignal, bench: str, after: int, calipers: Calipers, pretend: bool
) -> AsyncIterator[str]:
    """Server-Sent Events (WHATWG HTML, 9.2) of a bench, from event number `after` on."""
    waiter = signal.join()
    states = _States(bench, calipers)
    try:
        yield "retry: 1000\n\n"
        while not signal.closed:
            waiter.clear()  # before reading: later commits set it again
            # First, without the store: a reader must see that the store fails while it does.
            if changed := states.changed():
                yield "".join(changed)
            wait_s = _STILL_HERE_S
            try:
                seen, messages = await asyncio.to_thread(
                    _messages, engine, bench, after, calipers, pretend
                )
            except DBAPIError:  # the store is unreachable; read again when it is back
                seen, messages, wait_s = after, [], _ASK_AGAIN_S
            if messages:
                yield "".join(messages)
            if seen > after:
                after = seen
                continue
            try:
                await asyncio.wait_for(waiter.wait(), wait_s)
            except TimeoutError:
                yield ": still here\n\n"
    finally:
        signal.leave(waiter)


class _States:
    """The states of a bench's calipers, as its reader last got them.

    They are not events of the store and have no number: a reader that reconnects gets all of
    them.
    """

    def __init__(self, bench: str, calipers: Calipers) -> None:
        self._bench = bench
        self._calipers = calipers
        self._sent: dict[str, tuple[str, str]] = {}

    def changed(self) -> list[str]:
        messages = []
        for state in self._calipers(self._bench):
            now = (state.state, state.message)
            if self._sent.get(state.caliper) != now:
                self._sent[state.caliper] = now
                messages.append(_text("caliper", convert.caliper_out(state)))
        return messages


def _messages(
    engine: Engine, bench: str, after: int, calipers: Calipers, pretend: bool
) -> tuple[int, list[str]]:
    with engine.connect() as connection:
        found = events.events_after(connection, bench, after)
        # A score covers all trials so far: of several, the last is enough.
        latest = {(e.kind, e.subject): e.id for e in found if e.kind in ("score", "bench")}
        messages: list[str] = []
        for event in found:
            if latest.get((event.kind, event.subject), event.id) == event.id:
                if event.kind == "score" and messages:
                    break  # it takes a while to compute; send what is ready first
                if event.kind == "caliper" and _known(event, calipers(bench)):
                    after = event.id
                    continue  # sent already, and may be outdated
                data = _data(connection, bench, event, calipers(bench), pretend)
                messages.append(_message(event, data))
            after = event.id
    return after, messages


def _data(
    connection: Connection, bench: str, event: Row[Any], calipers: list[CaliperState], pretend: bool
) -> Any:
    match event.kind:
        case "reading":
            return convert.reading_out(benches.heard(connection, event))
        case "trial":
            return convert.trial_out(series.trial(connection, event.subject))
        case "score":
            scored = series.scored(connection, event.subject)
            return {"series": event.subject, "score": convert.score_out(scored)}
        case "refusal":
            return convert.refusal_out(events.refusal(connection, event.subject))
        case "bench":
            return convert.bench_out(benches.bench(connection, bench), calipers, pretend)
        case _:
            return event.data


def _known(event: Row[Any], states: list[CaliperState]) -> bool:
    """Whether the event is of a caliper whose state this server knows itself."""
    return any(state.caliper == event.data.get("name") for state in states)


def _message(event: Row[Any], data: Any) -> str:
    return f"id: {event.id}\n{_text(event.kind, data)}"


def _text(kind: str, data: Any) -> str:
    text = json.dumps(jsonable_encoder(data), separators=(",", ":"))
    return f"event: {kind}\ndata: {text}\n\n"
