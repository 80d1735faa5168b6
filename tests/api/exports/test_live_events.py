"""Server-Sent Events as lines of JSON."""

from __future__ import annotations

import json

import pytest

from api.exports.live_events import Message, MessageReader, Seen, lines
from api.exports.sources import OtherHistory, PullFailed

STREAM = (
    "retry: 1000\n\n"
    'event: caliper\ndata: {"name":"six-inch"}\n\n'
    'id: 4\nevent: reading\ndata: {"id":"a","sent":"12,30 µ","mm":12.300000000000001}\n\n'
    ": still here\n\n"
    'id: 6\nevent: fate\ndata: {"outcome":\ndata: "kept"}\n\n'
    'id: 7\r\nevent: trial\r\ndata: {"id":"b"}\r\n\r\n'
).encode()


@pytest.mark.parametrize("size", [1, 2, 7, 1000])
def test_messages_are_the_same_in_whatever_parts_they_come(size: int) -> None:
    reader = MessageReader()
    found = [
        message
        for start in range(0, len(STREAM), size)
        for message in reader.feed(STREAM[start : start + size])
    ]
    assert found == [
        Message(None, "caliper", '{"name":"six-inch"}'),
        Message(4, "reading", '{"id":"a","sent":"12,30 µ","mm":12.300000000000001}'),
        Message(6, "fate", '{"outcome": "kept"}'),
        Message(7, "trial", '{"id":"b"}'),
    ]


def test_an_event_is_one_line_with_every_digit_as_it_was_sent() -> None:
    (found,) = lines([STREAM], "saw", 0, None)
    assert [each.text.count(b"\n") for each in found] == [1, 1, 1]
    assert found[0].text == (
        '{"id":4,"event":"reading","bench":"saw",'
        '"data":{"id":"a","sent":"12,30 µ","mm":12.300000000000001}}\n'.encode()
    )
    assert json.loads(found[1].text)["data"] == {"outcome": "kept"}


def test_only_what_is_new_comes_after_what_is_known_again() -> None:
    (found,) = lines([STREAM], "saw", 6, Seen(4, "reading", "a"))
    assert [(each.number, each.seen) for each in found] == [(7, Seen(7, "trial", "b"))]
    assert list(lines([b": still here\n\n"], "saw", 6, Seen(4, "reading", "a"))) == [[]]


@pytest.mark.parametrize(
    "seen", [Seen(4, "reading", "other"), Seen(4, "trial", "a"), Seen(5, "reading", "a")]
)
def test_another_history_is_told_from_the_one_that_was_followed(seen: Seen) -> None:
    with pytest.raises(OtherHistory):
        list(lines([STREAM], "saw", 6, seen))


@pytest.mark.parametrize("data", ["no json", "[]", "{}"])
def test_what_is_no_event_is_none(data: str) -> None:
    with pytest.raises(PullFailed, match="event 4 is none"):
        list(lines([f"id: 4\nevent: reading\ndata: {data}\n\n".encode()], "saw", 0, None))
