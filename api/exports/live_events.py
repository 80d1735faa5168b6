"""The live events of a bench as lines of JSON, one an event."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from typing import Any, Final, NamedTuple

from api.exports.sources import OtherHistory, PullFailed

_SUBJECTS: Final = {"reading": "id", "trial": "id", "refusal": "id"}
"""Kinds of events that are sent again, whenever they are asked for, about the same subject, and
the field that names it. Of a score only the latest is sent."""


class Seen(NamedTuple):
    """An event by which a history is known again."""

    number: int
    kind: str
    subject: str


class Line(NamedTuple):
    """An event: its number, its line of JSON, and what it may be known again by."""

    number: int
    text: bytes
    seen: Seen | None


class Message(NamedTuple):
    """A Server-Sent Event. `number` is None where it has none: the state of a caliper or of the
    store, which is no event."""

    number: int | None
    kind: str
    data: str


class MessageReader:
    """Server-Sent Events (WHATWG HTML, 9.2.6) from bytes that come in parts."""

    def __init__(self) -> None:
        self._rest = b""
        self._number: int | None = None
        self._kind = "message"
        self._data: list[str] = []

    def feed(self, part: bytes) -> list[Message]:
        """The messages that `part` completes."""
        *lines, self._rest = (self._rest + part).split(b"\n")
        return [each for line in lines if (each := self._line(line.decode().rstrip("\r")))]

    def _line(self, line: str) -> Message | None:
        if not line:
            message = Message(self._number, self._kind, " ".join(self._data))
            has_data = bool(self._data)
            self._number, self._kind, self._data = None, "message", []
            return message if has_data else None
        name, _, value = line.partition(":")
        value = value.removeprefix(" ")
        match name:
            case "id" if value.isascii() and value.isdigit():
                self._number = int(value)
            case "event":
                self._kind = value
            case "data":
                self._data.append(value)
        return None


def lines(
    parts: Iterable[bytes], bench: str, after: int, seen: Seen | None
) -> Iterator[list[Line]]:
    """The events after number `after`, together as they came; none where a part held none.

    The parts begin before `seen`, which is of an earlier time and not after `after`. Raises
    OtherHistory where it is not among them: the store is another one. Raises PullFailed where
    what comes is no event of this program.
    """
    reader = MessageReader()
    head = json.dumps(bench)
    for part in parts:
        found = []
        for number, kind, data in reader.feed(part):
            if number is None:
                continue
            try:
                this = seen_in(number, kind, json.loads(data))
            except (ValueError, KeyError, TypeError):
                raise PullFailed(f"event {number} is none of bothends; check the address") from None
            if seen is not None and number >= seen.number:
                if this != seen:
                    raise OtherHistory
                seen = None
            if number > after:
                text = f'{{"id":{number},"event":{json.dumps(kind)},"bench":{head},"data":{data}}}'
                found.append(Line(number, f"{text}\n".encode(), this))
        yield found


def seen_in(number: int, kind: str, data: Any) -> Seen | None:
    """What an event may be known again by; None where it may not."""
    name = _SUBJECTS.get(kind)
    return None if name is None else Seen(number, kind, str(data[name]))
