"""Packed binary frames by a layout that is data."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.errors import LayoutError
from capture.frames import FrameLayout, FrameReader, parse_layout, read_frame
from capture.values import NotUnderstood, Value, read_value
from tests.capture.feeding import fed

# A made layout: 20 bits of magnitude, then sign, two fixed zeros, unit.
PLAIN = FrameLayout(size=3, value=(0, 20), sign=20, unit=23, zero=(21, 22))
SYNCED = FrameLayout(size=3, value=(0, 20), sign=20, unit=23, sync=b"\xaa\x55", idle=0xFFFFFF)


def frame(count: int, *, inches: bool = False) -> bytes:
    whole = abs(count) | (count < 0) << 20 | inches << 23
    return whole.to_bytes(3, "little")


def texts(events: list[Value | NotUnderstood]) -> list[str]:
    return [event.sent for event in events if isinstance(event, Value)]


def test_a_frame_says_its_length_exactly_in_its_own_unit() -> None:
    read = read_frame(PLAIN, frame(-1234))
    assert read == Value("-12.34 mm", Decimal("-12.34"), "mm", -12_340_000, True, None)
    read = read_frame(PLAIN, frame(1169, inches=True))
    assert isinstance(read, Value)
    assert (read.sent, read.unit, read.nm) == ("0.5845 in", "in", 14_846_300)


def test_what_a_frame_says_reads_back_to_the_same_length() -> None:
    for count in (0, 1, -1, 1234, -104_857):
        for inches in (False, True):
            read = read_frame(PLAIN, frame(count, inches=inches))
            assert isinstance(read, Value)
            again = read_value(read.sent, None)
            assert isinstance(again, Value)
            assert (again.nm, again.unit) == (read.nm, read.unit)


def test_two_complement_and_other_orders_of_bytes_and_bits() -> None:
    layout = FrameLayout(size=2, value=(0, 16), sign="twos", byte_order="big", counts_mm=100)
    assert texts([read_frame(layout, b"\xfb\x2e")]) == ["-12.34 mm"]  # -1234 as 16 bits
    swapped = FrameLayout(size=2, value=(0, 16), sign="twos", byte_order="big", bit_order="lsb")
    # 0x04D2 (1234): each byte's bits the other way round are 0x20 and 0x4B.
    assert texts([read_frame(swapped, b"\x20\x4b")]) == ["12.34 mm"]
    inches = FrameLayout(size=2, value=(0, 16), only="in", counts_in=1000)
    assert texts([read_frame(inches, (584).to_bytes(2, "little"))]) == ["0.584 in"]


def test_a_frame_whose_fixed_bits_are_set_is_refused() -> None:
    broken = (1 << 21 | 1234).to_bytes(3, "little")
    assert isinstance(read_frame(PLAIN, broken), NotUnderstood)


def test_counts_that_are_no_decimal_are_refused_not_rounded() -> None:
    layout = FrameLayout(size=2, value=(0, 16), counts_mm=3)
    assert isinstance(read_frame(layout, b"\x01\x00"), NotUnderstood)
    assert isinstance(read_frame(layout, b"\x03\x00"), Value)


def test_silence_parts_frames_that_have_no_marker() -> None:
    reader = FrameReader(PLAIN, gap=0.05)
    assert reader.feed(frame(1234), 1.0) == []
    assert reader.due == pytest.approx(1.05)
    assert texts(reader.quiet(1.05)) == ["12.34 mm"]
    assert reader.due is None
    assert reader.feed(frame(1235)[:2], 2.0) == []
    (refused,) = reader.quiet(2.05)
    assert isinstance(refused, NotUnderstood)
    assert reader.feed(frame(1236) + frame(-1), 3.0) == []
    assert texts(reader.feed(frame(1237), 4.0)) == ["12.36 mm", "-0.01 mm"]


@pytest.mark.parametrize("missed", [1, 2, 3, 4, 5])
def test_a_stream_joined_within_a_frame_never_stays_shifted(missed: int) -> None:
    """The rest of a frame that began before the port was opened would shift all that follow."""
    reader, out, late = FrameReader(PLAIN, gap=0.03), list[Value | NotUnderstood](), frame(1234)
    for number in range(50):
        now = 10.0 + number / 10
        # The first read misses some bytes; two frames without a pause are two.
        data = (late * 2)[missed:] if number == 0 else frame(1234 + number)
        out += reader.feed(data, now)
    out += reader.quiet(20.0)
    whole = [1234] if missed == 3 else []
    lengths = [event.nm for event in out if isinstance(event, Value)]
    assert lengths == [count * 10_000 for count in [*whole, *range(1235, 1284)]]


@pytest.mark.parametrize("missed", [0, 1, 2])
def test_frames_that_no_pause_parts_are_refused_once_and_never_read(missed: int) -> None:
    reader, out = FrameReader(PLAIN), list[Value | NotUnderstood]()
    for number in range(100):
        data = frame(1234 + number)[missed if number == 0 else 0 :]
        out += reader.feed(data, 10.0 + number / 10)
    assert texts(out) == []
    (refused,) = out
    assert isinstance(refused, NotUnderstood)
    assert "no pause of 0.15 s" in refused.reason
    assert "`gap`" in refused.reason
    # After a pause it is read.
    assert reader.feed(frame(7), 30.0) == []
    assert texts(reader.quiet(31.0)) == ["0.07 mm"]


def test_frames_with_a_marker_are_found_again_after_garbage() -> None:
    data = b"\x01\x02\x03" + b"\xaa\x55" + frame(1234) + b"\xaa" + b"\xaa\x55" + frame(-5)
    events = fed(lambda: FrameReader(SYNCED), data)
    assert texts(events) == ["12.34 mm", "-0.05 mm"]
    assert [event.text for event in events if isinstance(event, NotUnderstood)] == [
        "\\x01\\x02\\x03",
        "\\xaa",
    ]


def test_an_idle_frame_is_silence_not_a_length() -> None:
    assert fed(lambda: FrameReader(SYNCED), (b"\xaa\x55" + b"\xff\xff\xff") * 5) == []


def test_half_a_frame_at_an_unplug_is_shown_and_is_no_reading() -> None:
    reader = FrameReader(SYNCED)
    reader.feed(b"\xaa\x55\x01", 1.0)
    refused = reader.hang_up()
    assert refused is not None
    assert "no whole frame" in refused.reason
    assert reader.hang_up() is None
    assert texts(reader.feed(b"\xaa\x55" + frame(7), 2.0)) == ["0.07 mm"]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("size:3", "value:LOWEST"),
        ("size:3 value:0", "no part"),
        ("size:0 value:0+8", "1 to 32"),
        ("size:3 value:10+20", "within the frame"),
        ("size:3 value:0+20 sign:19", "twice"),
        ("size:3 value:0+20 sign:24", "outside"),
        ("size:3 value:0+20 unit:cm", "no part"),
        ("size:3 value:0+20 mm:0", "counts per mm"),
        ("size:3 value:0+20 size:4", "twice"),
        ("size:1 value:0+8 idle:fff", "idle"),
        ("size:3 value:0+20 colour:red", "colour:red"),
    ],
)
def test_a_layout_that_cannot_be_is_refused_in_one_sentence(text: str, why: str) -> None:
    with pytest.raises(LayoutError) as caught:
        parse_layout(text)
    assert why in caught.value.sentence


@pytest.mark.parametrize("layout", [PLAIN, SYNCED, FrameLayout(2, (0, 16), "twos", only="in")])
def test_a_layout_written_out_is_the_same_layout(layout: FrameLayout) -> None:
    assert parse_layout(str(layout)) == layout


def test_a_layout_may_go_to_the_edges_of_what_a_frame_holds() -> None:
    largest = FrameLayout(32, (216, 40), 0, counts_mm=1_000_000, counts_in=1, idle=(1 << 256) - 1)
    assert read_frame(largest, b"\xff" * 32) is None
    assert texts([read_frame(largest, b"\x01" + bytes(26) + b"\x01" + bytes(4))]) == [
        "-0.000001 mm"
    ]
    assert texts([read_frame(FrameLayout(1, (7, 1), counts_mm=1), b"\x80")]) == ["1 mm"]
    for size, width in ((33, 8), (8, 41), (8, 0)):
        with pytest.raises(LayoutError):
            FrameLayout(size, (0, width))
    with pytest.raises(LayoutError):
        FrameLayout(1, (0, 8), idle=256)
    with pytest.raises(LayoutError):
        FrameLayout(1, (0, 8), counts_in=1_000_001)


@given(st.binary(max_size=200))
@settings(max_examples=200)
def test_any_bytes_give_the_same_frames_however_they_were_cut(data: bytes) -> None:
    if data:
        fed(lambda: FrameReader(SYNCED), data)
        fed(lambda: FrameReader(PLAIN), data)
    reader = FrameReader(SYNCED)
    reader.feed(data, 1.0)
    assert len(reader._half) < 5
    assert len(reader._lost) <= 64
    plain = FrameReader(PLAIN)
    for _ in range(30):
        plain.feed(data, 1.0)
        assert len(plain._half) <= 1024
