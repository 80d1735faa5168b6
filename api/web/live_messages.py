"""What live streams send: a bench's events and its calipers' states, as Server-Sent Events."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final, NamedTuple, TypeAlias

from pydantic import BaseModel
from pydantic_core import to_json
from sqlalchemy import Connection

from api.answers import bench as benches
from api.answers import series
from api.answers.progress import progress
from api.answers.since_change import since_change
from api.instruments.called import Called
from api.store.publishing import Happened
from api.store.rows import events
from api.store.rows.calipers import shown_names
from api.web import convert
from api.web.convert.next_act import since_change_out
from api.web.convert.sentences import now_out, progress_out
from api.web.shapes.benches import StoreOut
from capture.records import CaliperState, Reading

Calipers = Callable[[str], list[CaliperState]]
"""The states of the calipers of a bench now."""

StoredEvent: TypeAlias = Any
"""An event: a row of the store with its bench's name, or `store.journal.Happened`."""

Told = dict[str, tuple[str, str, str]]
"""What is told of calipers, by the names they are heard under: state, message, and what
they are called."""

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


def superseded(found: Iterable[StoredEvent]) -> set[int]:
    """The numbers of the events that a later one of `found` makes needless."""
    latest: dict[tuple[int, str, Any], int] = {}
    needless = set()
    for event in found:
        if event.kind in LAST_IS_ENOUGH:
            subject = (event.bench_id, event.kind, event.subject)
            if subject in latest:
                needless.add(latest[subject])
            latest[subject] = event.id
    return needless


def messages(
    connection: Connection,
    found: Sequence[StoredEvent],
    calipers: Calipers,
    pretends: Callable[[str], bool],
) -> list[Message]:
    """The message of each event; each has the name of its bench. calipers, pretends: the states of
    a bench's calipers now, and whether its caliper is a demo's."""
    heard = benches.heard(connection, [e for e in found if e.kind == "reading"])
    trials = series.some_trials(connection, [e.subject for e in found if e.kind == "trial"])
    made = []
    for event in found:
        told = None
        match event.kind:
            case "reading":
                data: Any = convert.reading_out(heard[event.id])
            case "trial":
                data = convert.trial_out(trials[event.subject])
            case "score":
                scored, doubts = series.scored_at_hand(connection, event.subject)
                data = {
                    "series": event.subject,
                    "score": convert.score_out(scored),
                    "progress": progress_out(progress(scored)),
                    "since_change": since_change_out(since_change(connection, scored.row)),
                    "now": [now_out(doubt) for doubt in doubts],
                }
            case "refusal":
                data = convert.refusal_out(events.refusal(connection, event.subject))
            case "bench":
                states = calipers(event.bench)
                now = benches.bench(connection, event.bench)
                data = convert.bench_out(now, states, pretends(event.bench))
                told = {state.caliper: said(state) for state in states}
            case "caliper":
                heard_as = event.data["name"]
                if heard_as in (state.caliper for state in calipers(event.bench)):
                    made.append(Message(b""))  # this server tells it itself: this may be outdated
                    continue
                called = shown_names(connection).get(heard_as, heard_as)
                data = event.data | {"name": called, "heard_as": heard_as}
            case _:
                data = event.data
        made.append(_numbered(event, data, told))
    return made


def reading_message(event: Happened, reading: Reading, called: Called) -> Message:
    """The message of an event of kind `reading` as it was committed."""
    shown = replace(reading, caliper=called.name(reading.caliper))
    return _numbered(event, convert.reading_out(benches.Heard(shown, event.data)))


def _numbered(event: StoredEvent, data: Any, told: Told | None = None) -> Message:
    return Message(b"id: %d\n%b" % (event.id, _text(event.kind, data)), told)


def said(state: CaliperState) -> tuple[str, str, str]:
    """What of a caliper's state is worth a message when it changes."""
    return state.state, state.message, state.name


def state_message(state: CaliperState) -> bytes:
    """A caliper's state; it is no event of the store and has no number."""
    return _text("caliper", convert.caliper_out(state))


def store_message(store: StoreOut) -> bytes:
    """The state of the store, which is no event of it either."""
    return _text("store", store)


def _text(kind: str, data: BaseModel | Mapping[str, Any]) -> bytes:
    text = data.model_dump_json() if isinstance(data, BaseModel) else to_json(data).decode()
    return f"event: {kind}\ndata: {text}\n\n".encode()
