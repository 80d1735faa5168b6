"""What comes out of a source, made into values: the pure steps that each kind needs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from capture.decoding import Decoded, HeldBack, LineDecoder
from capture.keys import KeyEvents, KeyReports
from capture.lines import Line, Refused
from capture.settling import State
from capture.sources.keyboard import KeyEvent
from capture.spec import Spec
from capture.values import NotUnderstood, escaped, read_value

__all__ = ["Decoded", "Hearing", "HeldBack", "hearing_for"]

Chunk = bytes | Sequence[KeyEvent]


class Hearing(Protocol):
    """The decoding of one connection. `now` is in monotonic seconds."""

    @property
    def due(self) -> float | None:
        """The moment at which `quiet` has something to do; None when nothing is pending."""

    def feed(self, chunk: Chunk, now: float) -> list[Decoded]:
        """What `chunk`, read at `now`, says, in order. Never raises."""

    def quiet(self, now: float) -> list[Decoded]:
        """What the silence up to `now` ends."""

    @property
    def state(self) -> State | None:
        """How a stream stands; None where single values are sent."""

    def hang_up(self) -> list[Decoded]:
        """What was held back, and the half line, that a lost connection leaves behind."""


def hearing_for(spec: Spec) -> Hearing:
    """The decoding, as new, of what the source of `spec` will bring."""
    if spec.kind in ("hid", "keys"):
        return _Keys(spec)
    return _Lines(spec)


class _Lines:
    def __init__(self, spec: Spec) -> None:
        self._decoder = LineDecoder.for_spec(spec)

    @property
    def due(self) -> float | None:
        return self._decoder.due

    def feed(self, chunk: Chunk, now: float) -> list[Decoded]:
        return self._decoder.feed(bytes(chunk), now) if isinstance(chunk, bytes) else []

    def quiet(self, now: float) -> list[Decoded]:
        return self._decoder.quiet(now)

    @property
    def state(self) -> State | None:
        return self._decoder.state

    def hang_up(self) -> list[Decoded]:
        held = self._decoder.give_back()
        half = self._decoder.hang_up()
        return held if half is None else [*held, half]


class _Keys:
    def __init__(self, spec: Spec) -> None:
        self._spec = spec
        self._reports = KeyReports(spec.layout, spec.gap)
        self._events = KeyEvents(spec.layout, spec.gap)

    @property
    def due(self) -> float | None:
        return self._reports.due if self._spec.kind == "hid" else self._events.due

    def feed(self, chunk: Chunk, now: float) -> list[Decoded]:
        if isinstance(chunk, bytes):
            return self._read(self._reports.feed(chunk, now))
        lines = []
        for event in chunk:
            lines += self._events.feed(event.type, event.code, event.value, now)
        return self._read(lines)

    def quiet(self, now: float) -> list[Decoded]:
        keys = self._reports if self._spec.kind == "hid" else self._events
        return self._read(keys.quiet(now))

    @property
    def state(self) -> State | None:
        return None

    def hang_up(self) -> list[Decoded]:
        keys = self._reports if self._spec.kind == "hid" else self._events
        half = keys.hang_up()
        return [] if half is None else self._read([half])

    def _read(self, lines: Sequence[Line | Refused]) -> list[Decoded]:
        return [
            NotUnderstood(escaped(each.raw), each.reason)
            if isinstance(each, Refused)
            else read_value(each.raw.decode(), self._spec.unit, self._spec.pattern)
            for each in lines
        ]
