"""Throws bytes at every decoder and holds them to their promise.

    python -m tests.capture.fuzz_decoders --seconds N [--seed S]

The promise: garbage gives events, never an exception; the same bytes give the same events
however they were cut; nothing grows without bound; a clean line after enough silence and
enough clean lines is always read. `fuzz_one(data)` is the entry for a coverage-guided
fuzzer.
"""

from __future__ import annotations

import argparse
import random
import time
from collections.abc import Callable, Sequence

from capture.errors import CaptureError
from capture.frames import FrameLayout
from capture.keys import EV_KEY, KeyEvents, KeyReports, Stroke, read_strokes
from capture.line_decoder import Decoded, LineDecoder
from capture.lines import Line
from capture.spec import parse_spec
from capture.values import Pattern, Value, escaped, read_value

_LAYOUT = FrameLayout(size=3, value=(0, 20), sign=20, unit=23, sync=b"\xaa\x55")
_PATTERN = Pattern(r"(?P<label>\w+) +(?P<value>[-+0-9.,]+)(?P<unit>mm|in)?.*")
_MAKERS: Sequence[Callable[[], LineDecoder]] = (
    lambda: LineDecoder("mm"),
    lambda: LineDecoder("in", "stream"),
    lambda: LineDecoder(None, "ask", gap=None),
    lambda: LineDecoder("mm", mask=True, longest=16),
    lambda: LineDecoder("mm", pattern=_PATTERN),
    lambda: LineDecoder("mm", frame=_LAYOUT),
)


def fuzz_one(data: bytes) -> None:
    """Raise AssertionError, or anything else, only if a decoder breaks its promise."""
    seed = int.from_bytes(data[:4], "little")
    chance = random.Random(seed)
    for make in _MAKERS:
        _cut_as_you_like(make, data, chance)
    _timed(LineDecoder("mm"), data, chance)
    _keys(data)
    _texts(data)


def _cut_as_you_like(make: Callable[[], LineDecoder], data: bytes, chance: random.Random) -> None:
    whole = make()
    expected = whole.feed(data, 1.0) + whole.quiet(9.0)
    parts = make()
    got: list[Decoded] = []
    at = 0
    while at < len(data):
        step = chance.randrange(1, 1 + min(len(data) - at, 40))
        got += parts.feed(data[at : at + step], 1.0)
        at += step
    assert got + parts.quiet(9.0) == expected, "the events depend on how the bytes were cut"


def _timed(decoder: LineDecoder, data: bytes, chance: random.Random) -> None:
    """Reads at odd moments, unplugs among them; then three clean presses must count."""
    now = 0.0
    at = 0
    while at < len(data):
        step = chance.randrange(1, 30)
        decoder.feed(data[at : at + step], now)
        at += step
        now += chance.choice((0.0, 0.001, 0.2, 3.0))
        due = decoder.due
        if due is not None and due <= now:
            decoder.quiet(due)
            assert decoder.due is None or decoder.due > due, "quiet(due) left its work undone"
        if chance.random() < 0.02:
            decoder.hang_up()
            assert decoder.due is None
    read: list[Decoded] = []
    for _ in range(4):
        now += 20.0
        decoder.quiet(now)
        read = decoder.feed(b"12.34\r\n", now)
    assert [event.sent for event in read if isinstance(event, Value)] == ["12.34"]


def _keys(data: bytes) -> None:
    reports, events = KeyReports("fr"), KeyEvents()
    now = 0.0
    for at in range(0, len(data), 9):
        now += data[at] / 200
        reports.feed(data[at : at + 9 - data[at] % 2], now)
        for byte in data[at : at + 9]:
            events.feed(byte % 3, byte, byte % 4, now)
    reports.quiet(now + 9)
    events.quiet(now + 9)
    for usage in (0, 0x1E, 0, 0x28, 0):
        last = reports.feed(bytes([2, 0, usage, 0, 0, 0, 0, 0]), now + 10)
        if usage == 0x28:
            assert [line.raw for line in last if isinstance(line, Line)] == [b"1"]
    events.hang_up()
    events.feed(EV_KEY, 2, 1, now + 10)
    (line,) = events.feed(EV_KEY, 28, 1, now + 10)
    assert isinstance(line, Line)
    assert line.raw == b"1"
    codes = ("Digit1", "Numpad5", "Period", "Minus", "Enter", "", "KeyM")
    read_strokes(
        [Stroke(chr(byte), codes[byte % 7], byte > 127, float(n)) for n, byte in enumerate(data)]
    )


def _texts(data: bytes) -> None:
    text = data.decode("utf-8", "replace")
    for pattern in (None, _PATTERN):
        read = read_value(text, "mm", pattern)
        assert isinstance(read, Value) or read.text.isprintable()
    assert escaped(data).encode().decode("unicode_escape").encode("latin-1") == data
    for what in (text, "serial:x," + text, "(?P<value>" + text[:40] + ")"):
        try:
            if what.startswith("(?P"):
                Pattern(what)
            else:
                spec = parse_spec(what)
                assert parse_spec(str(spec)) == spec
        except CaptureError as error:
            assert error.sentence  # noqa: PT017


_PARTS = [
    *[b"12.34", b"-0,5 in", b"A1 +1.000mm OK", b"\r", b"\n", b"\r\n", b"\t", b"\0", b"\xff"],
    *[b"\x80\xfe\x00", b"\x2d\xb1\xb2\x2e\x33\xb4\x8d\x0a", b"\xaa\x55\x01\x02\x03", b"x" * 300],
    *[b"\xe2\x88\x92", b"----", b"E1", b"nan", b"1e3", b",unit=mm", b",gap=1", b"[0-9]+"],
]


def made(chance: random.Random) -> bytes:
    """Bytes like those of an instrument, and unlike them."""
    parts = [
        chance.choice(_PARTS) if chance.random() < 0.7 else chance.randbytes(chance.randrange(9))
        for _ in range(chance.randrange(40))
    ]
    return b"".join(parts)


def main() -> None:
    parser = argparse.ArgumentParser(description="Fuzz the decoders.")
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=8017)
    options = parser.parse_args()
    chance = random.Random(options.seed)
    until = time.monotonic() + options.seconds
    rounds = 0
    while time.monotonic() < until:
        data = made(chance)
        try:
            fuzz_one(data)
        except BaseException:
            print(f"after {rounds} rounds, seed {options.seed}: {data!r}")
            raise
        rounds += 1
    print(f"{rounds} rounds, no promise broken")


if __name__ == "__main__":
    main()
