"""Every decoder between a port and a reading, fed with bytes and keys of all kinds."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from random import Random

from analysis.units import UNIT_WORDS
from capture.decoders import Decoder, decoder_for
from capture.errors import CaptureError
from capture.frames import FrameLayout, FrameReader, parse_layout, read_frame
from capture.keys import (
    EV_KEY,
    KEY_DOWN,
    KEY_UP,
    LAYOUTS,
    USAGE_OF_CODE,
    KeyEvents,
    KeyReports,
    Stroke,
    Typed,
    read_strokes,
)
from capture.line_decoder import Decoded, LineDecoder
from capture.lines import LONGEST, Line, LineReader, LineStart, mask_parity
from capture.settling import Settling
from capture.sources.keyboard import KeyEvent
from capture.spec import parse_spec
from capture.values import Message, Pattern, Value, escaped, read_value
from tests.fuzz import texts
from tests.fuzz.fuzzing import Fuzzer, plain

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
_PARTS = [
    *[b"12.34", b"-0,5 in", b"A1 +1.000mm OK", b"\r", b"\n", b"\r\n", b"\t", b"\0", b"\xff"],
    *[b"\x80\xfe\x00", b"\x2d\xb1\xb2\x2e\x33\xb4\x8d\x0a", b"\xaa\x55\x01\x02\x03", b"x" * 300],
    *[b"\xe2\x88\x92", b"----", b"E1", b"nan", b"1e3", b",unit=mm", b",gap=1", b"[0-9]+"],
]


_CONTROLS = bytes([*range(32), 127])


def _bytes(chance: Random) -> bytes:
    """Bytes like those of an instrument, and unlike them."""
    parts = [
        chance.choice(_PARTS) if chance.random() < 0.7 else chance.randbytes(chance.randrange(9))
        for _ in range(chance.randrange(40))
    ]
    return b"".join(parts)


def _cut(data: bytes, chance: Random) -> list[bytes]:
    marks = sorted(chance.randrange(len(data) + 1) for _ in range(chance.randrange(12)))
    return [data[a:b] for a, b in pairwise([0, *marks, len(data)])]


def _start(chance: Random) -> LineStart:
    return "joined" if chance.random() < 0.5 else "fresh"


def _lines(chance: Random) -> bool:
    data = _bytes(chance)
    longest, gap = chance.choice((LONGEST, 16, 1)), chance.choice((None, 0.15))
    whole, parts = (LineReader(longest, gap, start) for start in [_start(chance)] * 2)
    expected = whole.feed(data, 1.0) + whole.quiet(9.0)
    got = [each for part in _cut(data, chance) for each in parts.feed(part, 1.0)]
    assert got + parts.quiet(9.0) == expected, "the lines depend on how the bytes were cut"
    for each in expected:
        if isinstance(each, Line):
            assert 0 < len(each.raw) <= longest
            assert not set(each.raw) & set(b"\r\n\0")
            # Nothing is invented or left out, but for controls at the ends.
            assert each.raw.translate(None, _CONTROLS) in data.translate(None, _CONTROLS)
    assert mask_parity(data) == bytes(byte & 0x7F for byte in data)
    assert escaped(data).encode().decode("unicode_escape").encode("latin-1") == data
    return any(isinstance(each, Line) for each in expected)


def _line_decoders(chance: Random) -> bool:
    data = _bytes(chance)
    values = 0
    for make in _MAKERS:
        whole = make()
        expected = whole.feed(data, 1.0) + whole.quiet(9.0)
        parts = make()
        got = [each for part in _cut(data, chance) for each in parts.feed(part, 1.0)]
        assert got + parts.quiet(9.0) == expected, "the events depend on how the bytes were cut"
        values += sum(isinstance(each, Value) for each in expected)
    return values > 0


def _moments(chance: Random) -> bool:
    """Reads at odd moments, unplugs among them; then three clean presses must count."""
    data, decoder = _bytes(chance), LineDecoder("mm")
    now, at = 0.0, 0
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
    return True


def _exact(value: Value) -> None:
    per_unit = 25_400_000 if value.unit == "in" else 1_000_000
    assert value.nm == round(value.number * per_unit)


def _values(chance: Random) -> bool:
    given = texts.text(chance)
    if chance.random() < 0.5:
        given = texts.altered(
            chance.choice(("A1: -12.34 mm OK", "0,5 in", "3.0")), chance, "0.,- m"
        )
    unit = chance.choice(("mm", "in", None))
    for pattern in (None, _PATTERN):
        read = read_value(given, unit, pattern)
        if not isinstance(read, Value):
            assert read.text.isprintable()
            assert isinstance(read, Message) or read.reason
            continue
        _exact(read)
        assert read.sent == given
        # Whoever knows the unit reads the same from what was sent, and so does a re-read.
        again = read_value(read.sent, read.unit, pattern)
        assert isinstance(again, Value)
        assert (again.nm, again.unit, again.number) == (read.nm, read.unit, read.number)
        plainly = read_value(f"{read.number:f} {read.unit}", None)
        assert isinstance(plainly, Value)
        assert plainly.nm == read.nm
    return isinstance(read_value(given, unit), Value)


_PIECES = [
    *["(?P<value>", "(?P<unit>", "(?P<label>", "(?P<x>", "(", ")", "[", "]", "[0-9.]", "+", "*"],
    *["{1,9}", "{99}", "?", "|", r"\d", r"\w", r"\1", "(?=", "(?i)", "^", "$", ".", "a", " ", "é"],
    *["(?P<value>[-+0-9.,]+)", "(?P<unit>mm|in)?", ".*", "x" * 100, "(a*)*", "\ud800", "\0"],
]


def _patterns(chance: Random) -> bool:
    source = "".join(chance.choice(_PIECES) for _ in range(chance.randrange(9)))
    if chance.random() < 0.5:
        source = texts.altered(_PATTERN.source, chance, "()[]*+?|\\")
    try:
        pattern = Pattern(source)
    except CaptureError as error:
        assert str(error).isprintable()
        return False
    for given in ("A1 12.34mm", "a" * LONGEST, texts.text(chance), source):
        read = read_value(given, "mm", pattern)
        if isinstance(read, Value):
            _exact(read)
            assert read == read_value(given, "mm", Pattern(source))
    if source == source.strip():  # what a SPEC says has no spaces around it
        spec = parse_spec(f"stdin:,pattern={source.replace(',', ',,')}")
        assert spec.pattern == pattern
        assert parse_spec(str(spec)) == spec
    return True


def _layout(chance: Random) -> str:
    words = {
        "size": str(chance.randrange(1, 9)),
        "value": f"{chance.randrange(20)}+{chance.randrange(1, 41)}",
        "sign": chance.choice(("twos", str(chance.randrange(64)))),
        "unit": chance.choice(("mm", "in", str(chance.randrange(64)))),
        "mm": str(chance.choice((100, 1000, 3, 1_000_000))),
        "in": str(chance.choice((2000, 7))),
        "bytes": chance.choice(("little", "big")),
        "bits": chance.choice(("msb", "lsb")),
        "sync": chance.randbytes(chance.randrange(1, 4)).hex(),
        "zero": "+".join(str(chance.randrange(64)) for _ in range(chance.randrange(1, 4))),
        "idle": f"{chance.randrange(1 << 24):x}",
    }
    optional = [name for name in words if name not in ("size", "value")]
    kept = ["size", "value", *chance.sample(optional, chance.randrange(len(optional)))]
    chance.shuffle(kept)
    return " ".join(f"{name}:{words[name]}" for name in kept)


def _frames(chance: Random) -> bool:
    said = _layout(chance)
    if chance.random() < 0.3:
        said = texts.altered(said, chance, ":+ 0")
    try:
        layout = parse_layout(said)
    except CaptureError as error:
        assert str(error).isprintable()
        return False
    assert parse_layout(str(layout)) == layout
    frames = [chance.randbytes(layout.size) for _ in range(chance.randrange(6))]
    data = b"".join(layout.sync + frame for frame in frames) + _bytes(chance)[:20]
    whole, parts = FrameReader(layout), FrameReader(layout)
    expected = whole.feed(data, 1.0) + whole.quiet(9.0)
    got = [each for part in _cut(data, chance) for each in parts.feed(part, 1.0)]
    assert got + parts.quiet(9.0) == expected, "the frames depend on how the bytes were cut"
    for frame in frames:
        value = read_frame(layout, frame)
        if isinstance(value, Value):
            again = read_value(value.sent, None)
            assert isinstance(again, Value)
            assert (again.nm, again.unit) == (value.nm, value.unit)
    return True


# Keys with which each layout types a value.
_VALUES = ("12.34", "-0.5", "7", "123,4", "0.0005")


def _typed(layout: str, value: str) -> list[tuple[int, bool]]:
    """Usage and Shift of each key that types `value`, then Enter."""
    by_mark = {mark: key for key, mark in reversed(LAYOUTS[layout].items())}
    return [*(by_mark[mark] for mark in value), (0x28, False)]


def _reports(chance: Random) -> bool:
    """Keys in reports, after any other reports: what is typed then is the line."""
    layout = chance.choice(sorted(LAYOUTS))
    keys, now = KeyReports(layout, chance.choice((None, 0.3))), 0.0
    data = _bytes(chance)
    for at in range(0, len(data), 9):
        now += data[at] / 200
        keys.feed(data[at : at + 9 - data[at] % 2], now)
    keys.quiet(now + 9)
    keys.feed(bytes(8), now + 9)
    keys.quiet(now + 19)
    keys.feed(bytes([0, 0, 0x28, 0, 0, 0, 0, 0]), now + 19)
    value, heard = chance.choice(_VALUES), []
    keys.feed(bytes(8), now + 20)
    for usage, shift in _typed(layout, value):
        now += 0.01
        for report in ([2 if shift else 0, 0, usage], [0, 0, 0]):
            heard += keys.feed(bytes([*report, 0, 0, 0, 0, 0]), now + 20)
    assert [each.raw.decode() for each in heard if isinstance(each, Line)] == [value]
    assert keys.due is None
    return True


def _events(chance: Random) -> bool:
    """The same as events of an input device."""
    layout = chance.choice(sorted(LAYOUTS))
    keys, now = KeyEvents(layout), 0.0
    for byte in _bytes(chance):
        now += byte / 500
        keys.feed(byte % 3, byte, byte % 4, now)
    keys.quiet(now + 9)
    keys.hang_up()
    value, heard = chance.choice(_VALUES), []
    code_of = {usage: code for code, usage in reversed(USAGE_OF_CODE.items())}
    shift_key = code_of[0xE1]
    for usage, shift in _typed(layout, value):
        pressed = [shift_key] * shift + [code_of[usage]]
        for code in pressed:
            heard += keys.feed(EV_KEY, code, KEY_DOWN, now + 10)
        for code in reversed(pressed):
            heard += keys.feed(EV_KEY, code, KEY_UP, now + 10)
    assert [each.raw.decode() for each in heard if isinstance(each, Line)] == [value]
    return True


_CODE_OF = {".": "Period", ",": "Comma", "-": "Minus", **{str(n): f"Digit{n}" for n in range(10)}}
_CODES = ("Digit1", "Numpad5", "Period", "Minus", "Enter", "", "KeyM", "Numpad0", "Comma")


def _strokes(chance: Random) -> bool:
    """Keys that a page caught."""
    at, strokes = 0.0, []
    odd = chance.choice((0.0, 0.02, 1.0))
    typing = [(mark, _CODE_OF.get(mark, "")) for mark in chance.choice(_VALUES)]
    for key, code in [*typing, ("Enter", "Enter")]:
        at += 5.0
        if chance.random() < odd:
            at += chance.choice((0.0, 20.0, 90.0, 160.0, -9.0, float("nan")))
            key = chance.choice(("1", "5", ".", "-", "Enter", "m", "Shift", "\0", "é", "\ud800"))
            code = chance.choice(_CODES)
        strokes.append(Stroke(key, code, chance.random() < odd / 4, at))
    broken_at = chance.choice((None, None, None, 1, 300)) if odd else None
    typed = read_strokes(strokes, broken_at=broken_at)
    if not isinstance(typed, Typed):
        assert typed.reason
        return False
    value = read_value(typed.text, "mm")
    assert isinstance(value, Value), "what was typed is no reading"
    _exact(value)
    assert broken_at is None
    if not odd:
        assert typed.text == "".join(mark for mark, _ in typing)
    return True


def _settling(chance: Random) -> bool:
    """A reading of a stream is a value at which it stood still, and one for each movement."""
    window = chance.choice((0.05, 0.4, 2.0))
    tolerance, rearm = chance.choice(((0, 1), (30_000, 500_000)))
    settling = Settling(window, tolerance_nm=tolerance, rearm_nm=rearm)
    now, at, seen, given = 0.0, 0, [], None
    read = 0
    for _ in range(chance.randrange(200)):
        now += chance.choice((0.01, 0.02, 0.1, window, 1.5))
        at += chance.choice((0, 0, 0, 10_000, -10_000, 400_000, -3_000_000, 12_340_000))
        seen.append((at, now))
        reading = settling.feed(at, now)
        if given is not None and abs(at - given) > rearm:
            given = None
        if reading is None:
            continue
        assert given is None, "two readings of one placement"
        lately = [nm for nm, when in seen if now - when <= window]
        assert max(lately) - min(lately) <= tolerance
        assert any(nm == reading for nm, _ in seen)
        assert settling.state == "settled"
        given, read = reading, read + 1
    return read > 0


_SPECS = (
    "serial:/dev/ttyUSB0,unit=mm",
    "serial:/dev/ttyUSB0,unit=in,mode=stream",
    "serial:/dev/ttyUSB0,frame=size:3 value:0+20 sign:20 unit:23,gap=30ms",
    "stdin:,pattern=(?P<value>[0-9.]+).*,unit=in",
    "hid:1209:1,unit=mm,gap=0.3",
    "keys:/dev/input/event3,layout=fr",
)


def _kinds(chance: Random) -> bool:
    """Each kind of instrument, given what its source may read, and hung up at any moment."""
    spec = parse_spec(chance.choice(_SPECS))
    decoder: Decoder = decoder_for(spec)
    now, heard = 0.0, []
    for part in _cut(_bytes(chance), chance):
        now += chance.choice((0.0, 0.01, 0.4, 3.0))
        if spec.kind == "keys":
            heard += decoder.feed([KeyEvent(b % 3, b, b % 4) for b in part], now)
        else:
            heard += decoder.feed(part, now)
        if decoder.due is not None and decoder.due <= now:
            heard += decoder.quiet(now)
    heard += decoder.hang_up()
    assert decoder.hang_up() == []
    assert decoder.due is None
    for each in heard:
        if isinstance(each, Value):
            _exact(each)
            assert each.unit in UNIT_WORDS.values()
    return any(isinstance(each, Value) for each in heard)


FUZZERS: Sequence[Fuzzer] = (
    plain("lines", "the same lines however the bytes are cut; none longer than may be", _lines),
    plain("lines to values", "the same events however the bytes are cut", _line_decoders, 100),
    plain("lines at any moment", "after silence a clean line is read", _moments, 200),
    plain("values", "exact, and the same when read again from what was sent", _values, 1000),
    plain("patterns", "refused in words, or the same each time", _patterns, 600),
    plain("frames", "the same values however the bytes are cut", _frames),
    plain("key reports", "after silence what is typed is the line", _reports, 300),
    plain("key events", "after silence what is typed is the line", _events, 300),
    plain("keys in a page", "what is taken is a reading", _strokes, 1000),
    plain("settling", "a reading is where the stream stood still, once", _settling, 300),
    plain("instruments", "whatever the source reads, nothing is left at the end", _kinds, 300),
)
