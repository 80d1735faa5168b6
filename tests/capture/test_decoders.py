"""Each kind of instrument is heard by the steps that are meant for it."""

from __future__ import annotations

import pytest

from capture.decoders import Decoder, decoder_for
from capture.keys import EV_KEY, EV_SYN, SYN_REPORT, USAGE_OF_CODE
from capture.sources.keyboard import KeyEvent
from capture.spec import parse_spec
from capture.values import NotUnderstood, Value

_USAGES = {**{str(digit): 0x1E + (digit - 1) % 10 for digit in range(10)}, ".": 0x37, "\n": 0x28}
_CODE_OF_USAGE = {usage: code for code, usage in USAGE_OF_CODE.items()}


def reports(text: str) -> list[bytes]:
    """What a HID keyboard sends to type `text`: each key down, then all up."""
    return [data for mark in text for data in (bytes([0, 0, _USAGES[mark], *[0] * 5]), bytes(8))]


def events(text: str) -> list[list[KeyEvent]]:
    """The same as the events of a Linux input device."""
    return [
        [KeyEvent(EV_KEY, _CODE_OF_USAGE[_USAGES[mark]], down), KeyEvent(EV_SYN, SYN_REPORT, 0)]
        for mark in text
        for down in (1, 0)
    ]


def said(hearing: Decoder, chunks: object, now: float = 0.0) -> list[tuple[str, int]]:
    """The values in `chunks`, as sent and in nanometres; nothing else is in them."""
    found = [each for chunk in chunks for each in hearing.feed(chunk, now)]  # type: ignore[attr-defined]
    assert all(isinstance(each, Value) for each in found), found
    return [(each.sent, each.nm) for each in found if isinstance(each, Value)]


@pytest.mark.parametrize(
    ("spec", "chunks"),
    [
        ("serial:/dev/ttyUSB0,unit=mm", [b"12.3", b"4\r\n5\r\n"]),
        ("stdin:,unit=mm", [b"12.34\n5\n"]),
        ("hid:1209:1,unit=mm", reports("12.34\n5\n")),
        ("keys:/dev/input/event3,unit=mm", events("12.34\n5\n")),
    ],
)
def test_a_press_is_the_same_value_whatever_brings_it(spec, chunks):
    hearing = decoder_for(parse_spec(spec))
    assert said(hearing, chunks) == [("12.34", 12_340_000), ("5", 5_000_000)]
    assert hearing.due is None
    assert hearing.hang_up() == []


@pytest.mark.parametrize(
    ("spec", "chunks"),
    [
        ("serial:/dev/ttyUSB0,unit=mm", [b"12.3"]),
        ("hid:1209:1,unit=mm", reports("12.3")),
        ("keys:/dev/input/event3,unit=mm", events("12.3")),
    ],
)
def test_half_a_line_at_a_lost_connection_is_no_value(spec, chunks):
    hearing = decoder_for(parse_spec(spec))
    assert said(hearing, chunks) == []
    assert hearing.due is not None
    (half,) = hearing.hang_up()
    assert isinstance(half, NotUnderstood)
    assert half.text == "12.3"
    assert hearing.hang_up() == []


@pytest.mark.parametrize("kind", ["hid:1209:1", "keys:/dev/input/event3"])
def test_silence_ends_a_line_of_keys_only_where_a_gap_is_said_to(kind):
    chunks = reports("12.3") if kind.startswith("hid") else events("12.3")
    for gap, ends, outcome in ((",gap=0.3", 5.3, Value), ("", 6.0, NotUnderstood)):
        hearing = decoder_for(parse_spec(f"{kind},unit=mm{gap}"))
        assert said(hearing, chunks, now=5.0) == []
        assert hearing.due == pytest.approx(ends)
        assert hearing.quiet(ends - 0.1) == []
        (heard,) = hearing.quiet(ends + 0.1)
        assert isinstance(heard, outcome)
        assert hearing.due is None


def test_a_pattern_is_used_on_keys_as_on_lines():
    spec = parse_spec("hid:1209:1,unit=mm,pattern=1(?P<value>[0-9.]+)")
    assert said(decoder_for(spec), reports("12.5\n")) == [("12.5", 2_500_000)]


def test_only_a_stream_stands_somehow():
    for text in ("serial:/dev/ttyUSB0,unit=mm", "hid:1209:1", "keys:/dev/input/event3"):
        assert decoder_for(parse_spec(text)).state is None
    stream = decoder_for(parse_spec("serial:/dev/ttyUSB0,unit=mm,mode=stream"))
    stream.feed(b"1.00\r\n2.00\r\n", 0.0)
    assert stream.state == "moving"


def test_lines_have_no_use_for_key_events():
    assert decoder_for(parse_spec("stdin:,unit=mm")).feed(events("1\n")[0], 0.0) == []
