"""What live streams send: a bench's events and its calipers' states, as Server-Sent Events."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final, NamedTuple

from pydantic import BaseModel
from pydantic_core import to_json
from sqlalchemy import Connection, Row

from api.answers import bench as benches
from api.answers import series
from api.store.rows import events
from api.web import convert
from api.web.shapes import StoreOut
from capture.records import CaliperState

Calipers = Callable[[str], list[CaliperState]]
"""The states of the calipers of a bench now."""

Told = dict[str, tuple[str, str]]
"""What is told of calipers, by their names: state and message."""

LAST_IS_ENOUGH: Final = ("score", "bench")
"""Kinds of events that a later one of the same subject makes needless: a score covers all trials
so far, and a bench is told as it is now."""


WHOLE: Final = StoreOut(message="", kept_beside=0, last=None)
"""A store with which all is well: nothing needs to be told of it."""


class Message(NamedTuple):
    """The bytes of an event, none where it tells nothing new; and what it tells of calipers, where
    it tells of all of them."""

    text: bytes
    told: Told | None = None


def superseded(found: Iterable[Row[Any]]) -> set[int]:
    """The numbers of the events that a later one of `found` makes needless."""
    latest: dict[tuple[str, Any], int] = {}
    needless = set()
    for event in found:
        if event.kind in LAST_IS_ENOUGH:
            before = latest.get((event.kind, event.subject))
            if before is not None:
                needless.add(before)
            latest[event.kind, event.subject] = event.id
    return needless


def messages(
    connection: Connection,
    bench: str,
    found: Sequence[Row[Any]],
    states: list[CaliperState],
    pretend: bool,
) -> list[Message]:
    """The message of each event of a bench; `states` are those of its calipers now."""
    return [_message(connection, bench, event, states, pretend) for event in found]


def _message(
    connection: Connection,
    bench: str,
    event: Row[Any],
    states: list[CaliperState],
    pretend: bool,
) -> Message:
    told = None
    match event.kind:
        case "reading":
            data: Any = convert.reading_out(benches.heard(connection, event))
        case "trial":
            data = convert.trial_out(series.trial(connection, event.subject))
        case "score":
            scored = series.scored(connection, event.subject)
            data = {"series": event.subject, "score": convert.score_out(scored)}
        case "refusal":
            data = convert.refusal_out(events.refusal(connection, event.subject))
        case "bench":
            data = convert.bench_out(benches.bench(connection, bench), states, pretend)
            told = {state.caliper: said(state) for state in states}
        case "caliper" if any(state.caliper == event.data.get("name") for state in states):
            return Message(b"")  # this server tells it itself, and this may be outdated
        case _:
            data = event.data
    return Message(b"id: %d\n%b" % (event.id, _text(event.kind, data)), told)


def said(state: CaliperState) -> tuple[str, str]:
    """What of a caliper's state is worth a message when it changes."""
    return state.state, state.message


def state_message(state: CaliperState) -> bytes:
    """A caliper's state; it is no event of the store and has no number."""
    return _text("caliper", convert.caliper_out(state))


def store_message(store: StoreOut) -> bytes:
    """The state of the store, which is no event of it either."""
    return _text("store", store)


def _text(kind: str, data: BaseModel | Mapping[str, Any]) -> bytes:
    text = data.model_dump_json() if isinstance(data, BaseModel) else to_json(data).decode()
    return f"event: {kind}\ndata: {text}\n\n".encode()
