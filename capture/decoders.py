"""The decoder for each kind of source: what the source reads goes in, values come out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from capture.keys import KeyEvents, KeyReports
from capture.line_decoder import Decoded, LineDecoder
from capture.lines import Line, Refused
from capture.settling import StreamState
from capture.sources.keyboard import KeyEvent
from capture.spec import Spec
from capture.values import NotUnderstood, escaped, read_value

Chunk = bytes | Sequence[KeyEvent]


class Decoder(Protocol):
    """Decodes what one connection delivers. `now` is in monotonic seconds."""

    @property
    def due(self) -> float | None:
        """The moment at which `quiet` has something to do; None when nothing is pending."""

    def feed(self, chunk: Chunk, now: float) -> list[Decoded]:
        """The results of `chunk`, read at `now`, in order. Never raises."""

    def quiet(self, now: float) -> list[Decoded]:
        """The results of what the silence up to `now` ends."""

    @property
    def state(self) -> StreamState | None:
        """The state of a stream; None where single values are sent."""

    def hang_up(self) -> list[Decoded]:
        """What was held back, and the half line, when the connection is lost."""


def decoder_for(spec: Spec) -> Decoder:
    """A new decoder for what the source of `spec` delivers."""
    if spec.kind in ("hid", "keys"):
        return _KeyDecoder(spec)
    return _TextDecoder(spec)


class _TextDecoder:
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
    def state(self) -> StreamState | None:
        return self._decoder.state

    def hang_up(self) -> list[Decoded]:
        held = self._decoder.give_back()
        half = self._decoder.hang_up()
        return held if half is None else [*held, half]


class _KeyDecoder:
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
    def state(self) -> StreamState | None:
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
