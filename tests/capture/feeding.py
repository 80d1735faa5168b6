"""Feeds a decoder the same bytes in every way a port can cut them."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from typing import Protocol, TypeVar

Event = TypeVar("Event")


class Decoder(Protocol[Event]):
    """Takes bytes and gives events: `LineReader`, `LineDecoder`, `FrameReader`."""

    def feed(self, data: bytes, now: float) -> list[Event]: ...

    def quiet(self, now: float) -> list[Event]: ...


def cuts(data: bytes, seed: int = 8017) -> Iterator[list[bytes]]:
    """`data` whole, byte by byte, with empty reads between, and in ten random cuts."""
    yield [data]
    yield [data[at : at + 1] for at in range(len(data))]
    yield [part for at in range(len(data)) for part in (b"", data[at : at + 1])]
    chance = random.Random(seed)
    for _ in range(10):
        marks = sorted(chance.randrange(len(data) + 1) for _ in range(chance.randrange(1, 9)))
        yield [data[start:end] for start, end in zip([0, *marks], [*marks, len(data)], strict=True)]


def fed(
    make: Callable[[], Decoder[Event]], data: bytes, now: float = 100.0, after: float = 10.0
) -> list[Event]:
    """The events that `data` gives, all read at `now` and followed by `after` s of silence.

    Asserts that every way of cutting gives the same, and that a tail (a half line behind
    it) changes nothing before the tail.
    """
    results: list[list[Event]] = []
    for parts in cuts(data):
        decoder = make()
        events = [event for part in parts for event in decoder.feed(part, now)]
        results.append(events + decoder.quiet(now + after))
    first = results[0]
    for other in results[1:]:
        assert other == first, "the events depend on how the bytes were cut"
    whole = make().feed(data, now)
    with_tail = make().feed(data + b"7", now)
    assert with_tail[: len(whole)] == whole, "a tail changed what came before it"
    return first
