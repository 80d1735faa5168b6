"""The decoder of a serial instrument, fault by fault."""

from __future__ import annotations

import random
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.frames import FrameLayout
from capture.line_decoder import Decoded, HeldBack, LineDecoder, StreamDetector, Trouble, read_line
from capture.lines import Line, Refused
from capture.spec import parse_spec
from capture.values import Message, NotUnderstood, Pattern, Value
from tests.capture.feeding import cuts, fed
from tests.capture.uart import received


def mm() -> LineDecoder:
    return LineDecoder("mm")


def sents(events: list[Decoded]) -> list[str]:
    return [event.sent for event in events if isinstance(event, Value)]


def troubles(events: list[Decoded]) -> list[str]:
    return [event.kind for event in events if isinstance(event, Trouble)]


def pressed(
    decoder: LineDecoder, lines: list[bytes], every: float, start: float = 100.0
) -> list[Decoded]:
    """What `lines`, one each `every` seconds, give, with silences as a source would report them."""
    out: list[Decoded] = []
    for number, line in enumerate(lines):
        now = start + number * every
        out += decoder.quiet(now)
        out += decoder.feed(line, now)
    out += decoder.quiet(start + len(lines) * every + 10)
    return [event.event if isinstance(event, HeldBack) else event for event in out]


def test_lines_messages_and_refusals_come_out_in_the_order_they_went_in() -> None:
    data = b"12.34\r\n----\r\n1e3\r\nA1 -12,5 mm OK\r\n\r\n0.5 in\r\n"
    events = fed(mm, data)
    kinds = [type(event) for event in events]
    assert kinds == [Value, Message, NotUnderstood, Value, Value]
    assert sents(events) == ["12.34", "A1 -12,5 mm OK", "0.5 in"]


def test_many_lines_in_one_read_and_one_byte_a_read_are_the_same_readings() -> None:
    lines = [f"{number / 100:.2f}\r\n".encode() for number in range(1, 60)]
    assert sents(fed(mm, b"".join(lines))) == [line.decode().strip() for line in lines]


def test_half_a_line_at_an_unplug_is_shown_and_the_line_after_replug_counts() -> None:
    decoder = mm()
    decoder.feed(b"12.3", 1.0)
    refused = decoder.hang_up()
    assert refused is not None
    assert refused.text == "12.3"
    assert decoder.due is None
    assert sents(decoder.feed(b"12.34\r", 1.1)) == ["12.34"]


def test_bare_digits_are_read_after_their_silence() -> None:
    decoder = mm()
    assert decoder.feed(b"12.34", 1.0) == []
    due = decoder.due
    assert due == pytest.approx(1.15)
    assert due is not None
    assert sents(decoder.quiet(due)) == ["12.34"]


@pytest.mark.parametrize("read_baud", [2400, 4800, 19200, 38400, 115200])
def test_a_wrong_speed_gives_no_reading_and_is_said_once(read_baud: int) -> None:
    chance = random.Random(8017)
    lines = [f"{chance.uniform(-150, 150):.2f}\r\n".encode() for _ in range(300)]
    events = pressed(mm(), received(lines, 9600, read_baud), every=1.0)
    assert sents(events) == []
    assert troubles(events) == ["wrong speed?"]


def test_one_stray_byte_a_line_is_a_wrong_speed_too() -> None:
    lines = [f"{number / 100:.2f}\r\n".encode() for number in range(1000, 1300)]
    events = pressed(mm(), received(lines, 115200, 9600), every=1.0)
    assert sents(events) == []
    assert troubles(events) == ["wrong speed?"]


def test_after_noise_readings_count_again_from_the_third_clean_line() -> None:
    decoder = mm()
    events = fed(mm, b"\x80\xfe\x00\xf8" * 10 + b"\r" + b"12.31\r12.32\r12.33\r12.34\r")
    assert troubles(events) == ["wrong speed?"]
    assert sents(events) == ["12.33", "12.34"]
    withheld = [event.text for event in events if isinstance(event, NotUnderstood)]
    assert withheld == ["12.31", "12.32"]
    decoder.feed(b"\x80\xfe\x00\xf8" * 10, 1.0)
    decoder.hang_up()  # opened again, perhaps at another speed
    assert sents(decoder.feed(b"12.34\r", 2.0)) == ["12.34"]


def test_a_short_glitch_costs_its_own_line_only() -> None:
    events = fed(mm, b"12.34\r\x80\xff12.35\r12.36\r")
    assert sents(events) == ["12.34", "12.36"]
    assert troubles(events) == []


def test_seven_bits_even_parity_are_said_and_read_only_when_masked() -> None:
    line = b"-12.34\r\n"
    sent = bytes(mark | 0x80 if mark.bit_count() % 2 else mark for mark in line)
    events = pressed(mm(), [sent] * 5, every=1.0)
    assert sents(events) == []
    assert troubles(events) == ["7 data bits, even parity"]
    assert "mask=1" in next(event.sentence for event in events if isinstance(event, Trouble))
    masked = fed(lambda: LineDecoder("mm", mask=True), sent)
    assert sents(masked) == ["-12.34"]
    assert troubles(masked) == []


def test_nuls_and_outer_controls_do_not_cost_the_reading_but_inner_ones_do() -> None:
    events = fed(mm, b"\x02\x0012.34\x03\r\x00\n12\x0335\r\n")
    assert sents(events) == ["12.34"]
    (refused,) = (event for event in events if isinstance(event, NotUnderstood))
    assert "control" in refused.reason


def test_endless_bytes_are_refused_once_and_the_next_line_counts() -> None:
    events = fed(mm, b"9" * 5000 + b"\r12.34\r")
    assert sents(events) == ["12.34"]
    assert len([event for event in events if isinstance(event, NotUnderstood)]) == 1


def test_a_bounce_comes_out_twice_so_that_it_can_be_restored_downstream() -> None:
    decoder = mm()
    assert sents(decoder.feed(b"12.34\r", 1.0) + decoder.feed(b"12.34\r", 1.1)) == ["12.34"] * 2


def test_a_unit_switched_between_two_presses_is_read_as_sent() -> None:
    events = fed(mm, b"12.70 mm\r0.500 in\r12.70\r")
    assert [event.unit for event in events if isinstance(event, Value)] == ["mm", "in", "mm"]


def test_no_unit_anywhere_asks_for_the_option_instead_of_guessing() -> None:
    (event,) = fed(LineDecoder, b"12.34\r")
    assert isinstance(event, NotUnderstood)
    assert "`unit`" in event.reason


def test_a_typographic_minus_is_a_minus_and_no_noise() -> None:
    events = fed(mm, "\u221212.34\r".encode() * 30)
    assert sents(events) == ["\u221212.34"] * 30
    assert troubles(events) == []


def test_two_instruments_sending_at_once_never_mix() -> None:
    left, right = mm(), mm()
    out: dict[str, list[str]] = {"left": [], "right": []}
    for a, b in zip(b"12.34\r", b"56.78\r", strict=True):
        out["left"] += sents(left.feed(bytes([a]), 1.0))
        out["right"] += sents(right.feed(bytes([b]), 1.0))
    assert out == {"left": ["12.34"], "right": ["56.78"]}


# Fault: a stream on a port that should send presses.


def test_a_stream_on_a_press_port_is_said_and_not_kept_as_presses() -> None:
    events = pressed(mm(), [b"12.34\r"] * 600, every=0.1)
    assert troubles(events) == ["stream"]
    assert len(sents(events)) <= 12
    assert "mode=stream" in next(event.sentence for event in events if isinstance(event, Trouble))


def test_a_fast_stream_whose_last_digit_flickers_is_still_a_stream() -> None:
    chance = random.Random(8017)
    lines = [f"12.3{chance.choice((4, 4, 4, 5))}\r".encode() for _ in range(600)]
    events = pressed(mm(), lines, every=0.02)
    assert troubles(events) == ["stream"]
    assert len(sents(events)) <= 80


def test_a_stream_that_flickers_at_every_line_is_still_a_stream() -> None:
    lines = [f"12.3{4 + number % 2}\r".encode() for number in range(600)]
    events = pressed(mm(), lines, every=0.1)
    assert troubles(events) == ["stream"]
    assert len(sents(events)) < 62


@pytest.mark.parametrize("every", [0.2, 0.1, 0.05])
def test_moving_values_on_a_press_port_are_a_stream_after_six_seconds(every: float) -> None:
    count = round(10 / every)
    lines = [f"{number / 100:.2f}\r".encode() for number in range(1000, 1000 + count)]
    events = pressed(mm(), lines, every=every)
    assert troubles(events) == ["stream"]
    kept = [event.sent for event in events if isinstance(event, Value)]
    given = len(kept)
    assert 6 / every - 1 <= given <= 6 / every + 2
    assert kept == [line.decode().strip() for line in lines[:given]]
    (said,) = (event.sentence for event in events if isinstance(event, Trouble))
    assert f"the {given} readings before this was clear" in said
    # What was held back is shown, and nothing of it becomes a reading.
    refused = [event.text for event in events if isinstance(event, NotUnderstood)]
    assert refused[0] == lines[given].decode().strip()
    assert not [event for event in events if isinstance(event, HeldBack)]


def test_moving_values_at_no_even_pace_are_said_too() -> None:
    decoder, now = mm(), 100.0
    events: list[Decoded] = []
    for number in range(200):
        now += 0.02 if number % 2 else 0.2  # as a network hands on two at a time
        events += decoder.quiet(now) + decoder.feed(f"{number}.5\r".encode(), now)
    assert troubles(events) == ["stream"]
    # Held from the seventh second on: at nine lines a second, 56 are given until then.
    assert len(sents(events)) == 56


def test_a_stream_stays_one_while_the_jaws_move_again() -> None:
    watch = StreamDetector()
    for number in range(40):
        watch.line(12_340_000, number / 10)
    assert watch.streaming
    now = 4.0
    for number in range(40):
        now += 0.02 if number % 4 else 0.2  # no even pace
        assert watch.line(number * 100_000, now) == "stream"


@pytest.mark.parametrize("every", [0.0, 0.01, 0.02, 0.05, 0.1, 0.14, 1 / 3, 0.5])
def test_twenty_strips_pressed_fast_are_all_kept_at_once(every: float) -> None:
    """A program at any pace, and a hand at up to three presses a second."""
    lines = [line for strip in range(20) for line in (b"0.520 in\r", b"0.513 in\r")]
    events = pressed(mm(), lines, every=every)
    assert len(sents(events)) == 40
    assert troubles(events) == []


@pytest.mark.parametrize("bounce", [0.005, 0.05, 0.1])
def test_three_presses_a_second_that_all_bounce_are_all_kept(bounce: float) -> None:
    decoder, events = mm(), list[Decoded]()
    for press in range(40):
        now = 100.0 + press / 3
        for moment in (now, now + bounce):
            events += decoder.quiet(moment)
            events += decoder.feed(f"{press}.5\r".encode(), moment)
    events += decoder.quiet(200.0)
    # Held back or not, in the order and with the moments of the presses.
    heard = [event.event if isinstance(event, HeldBack) else event for event in events]
    assert [event.sent for event in heard if isinstance(event, Value)] == [
        f"{press // 2}.5" for press in range(80)
    ]
    assert troubles(events) == []


def test_who_waits_for_each_reading_before_the_next_press_loses_none() -> None:
    decoder, now, got = mm(), 100.0, 0
    for press in range(200):
        now += 0.05
        events = decoder.feed(f"{press}.5\r".encode(), now)
        if not events:
            due = decoder.due
            assert due is not None
            now = due
            (held,) = decoder.quiet(now)
            assert isinstance(held, HeldBack)
            assert held.heard_at == pytest.approx(now - 0.25)
            got += 1
        got += len(sents(events))
    assert got == 200


def test_what_is_held_back_at_an_unplug_is_given_all_the_same() -> None:
    decoder = mm()
    events = [
        event
        for press in range(64)
        for event in decoder.feed(f"{press}.5\r".encode(), 1.0 + press / 10)
    ]
    held = decoder.give_back()
    assert sents(events) == [f"{press}.5" for press in range(60)]
    assert [event.event for event in held if isinstance(event, HeldBack)] == [
        Value(f"{press}.5", Decimal(f"{press}.5"), "mm", press * 10**6 + 500_000, False, None)
        for press in (60, 61, 62, 63)
    ]
    assert decoder.hang_up() is None
    assert decoder.due is None


def test_a_message_within_what_is_held_back_keeps_its_place() -> None:
    decoder = mm()
    for press in range(62):
        decoder.feed(f"{press}.5\r".encode(), 1.0 + press / 10)
    assert decoder.feed(b"E1\r", 7.15) == []
    decoder.feed(b"62.5\r", 7.2)
    events = decoder.quiet(9.0)
    heard = [event.event for event in events if isinstance(event, HeldBack)]
    assert [type(event) for event in heard] == [Value, Value, Message, Value]


def test_a_hundred_lines_in_one_read_are_a_backlog_not_a_stream() -> None:
    events = mm().feed(b"12.34\r" * 100, 1.0)
    assert len(sents(events)) == 100


def test_a_bouncing_button_is_no_stream() -> None:
    decoder = mm()
    out: list[Decoded] = []
    for press in range(30):
        out += pressed(decoder, [b"12.34\r", b"12.34\r"], every=0.1, start=100.0 + 20.0 * press)
    assert len(sents(out)) == 60
    assert troubles(out) == []


def test_presses_count_again_a_second_after_a_stream_ended() -> None:
    decoder = mm()
    pressed(decoder, [b"12.34\r"] * 50, every=0.1)
    assert sents(decoder.feed(b"12.35\r", 200.0)) == ["12.35"]
    assert troubles(pressed(decoder, [b"12.34\r"] * 50, every=0.1, start=300.0)) == ["stream"]


def test_an_instrument_that_is_asked_often_is_no_stream() -> None:
    events = pressed(LineDecoder("mm", "ask"), [b"12.34\r"] * 200, every=0.1)
    assert len(sents(events)) == 200
    assert troubles(events) == []


def test_a_stream_watch_holds_the_same_small_memory_for_ever() -> None:
    watch = StreamDetector()
    for number in range(10_000):
        watch.line(number, number / 20)
    assert len(watch._values) == 13
    assert watch.streaming
    decoder = mm()
    for number in range(10_000):
        decoder.feed(f"{number}.5\r".encode(), 1.0 + number / 20)
        assert len(decoder._held) <= 201


# Fault: streams that never settle, moving jaws, zeros.


def stream(
    values: list[float], decoder: LineDecoder | None = None, start: float = 100.0
) -> list[str]:
    decoder = decoder or LineDecoder("mm", "stream")
    lines = [b"junk\r", *(f"{value:.2f}\r\n".encode() for value in values)]
    return sents(pressed(decoder, lines, every=0.1, start=start))


def test_a_stream_gives_one_reading_for_each_strip() -> None:
    values: list[float] = []
    for strip in (12.34, 12.34, 13.02):
        values += [40.0, 33.0, 21.0, *[strip] * 20]
    assert stream(values) == ["12.34", "12.34", "13.02"]


def test_a_stream_that_never_stands_still_gives_none_and_says_so() -> None:
    decoder = LineDecoder("mm", "stream")
    assert stream([n / 3 for n in range(200)], decoder) == []
    assert decoder.state == "moving"
    assert LineDecoder("mm").state is None


def test_a_stream_of_zeros_gives_none() -> None:
    decoder = LineDecoder("mm", "stream")
    assert stream([0.0] * 200, decoder) == []
    assert decoder.state == "still"


def test_the_text_of_a_settled_reading_is_one_that_was_sent() -> None:
    chance = random.Random(8017)
    for _ in range(20):
        sent = [12.34 + chance.choice((-0.01, 0.0, 0.0, 0.01)) for _ in range(30)]
        (got,) = stream([40.0, 30.0, *sent])
        assert got in {f"{value:.2f}" for value in sent}


def test_a_joined_streams_first_half_line_is_no_value() -> None:
    decoder = LineDecoder("mm", "stream")
    lines = [b"4\r\n", *[b"12.34\r\n"] * 8]
    events = pressed(decoder, lines, every=0.1)
    assert sents(events) == ["12.34"]


def test_backlog_of_a_stream_after_a_stall_gives_no_stale_reading() -> None:
    decoder = LineDecoder("mm", "stream")
    assert stream([40.0, 30.0, *[12.34] * 10], decoder) == ["12.34"]
    backlog = "".join(
        f"{value:.2f}\r\n" for value in [*[40.0, 30.0], *[13.0] * 50, *[40.0, 30.0], *[14.0] * 50]
    )
    assert sents(decoder.feed(backlog.encode(), 160.0)) == []
    # The present value counts once it stands still after this point.
    now = [decoder.feed(b"14.00\r\n", 160.1 + step / 10) for step in range(8)]
    assert [sent for events in now for sent in sents(events)] == ["14.00"]


def test_a_stream_without_terminator_is_refused_with_a_reason() -> None:
    events = pressed(LineDecoder("mm", "stream"), [b"12.34"] * 600, every=0.1)
    assert sents(events) == []
    reasons = [event.reason for event in events if isinstance(event, NotUnderstood)]
    assert len(reasons) == 1
    assert "without an end of line" in reasons[0]


@pytest.mark.parametrize("rate", [120, 300, 1000, 20_000])
def test_a_flood_is_said_to_be_a_stream_within_a_second(rate: int) -> None:
    decoder = LineDecoder("mm")
    events: list[Decoded] = []
    for number in range(rate + 50):
        now = decoder.feed(b"%d.25\r\n" % (number % 1000), 5.0 + number / rate)
        events += now
        if any(isinstance(event, Trouble) for event in now):
            break
    else:
        pytest.fail("it was taken for presses")
    assert number / rate <= 1.0
    (trouble,) = [event for event in events if isinstance(event, Trouble)]
    assert "mode=stream" in trouble.sentence
    # After that nothing counts as a press.
    assert sents(decoder.feed(b"1.00\r\n2.00\r\n", 5.0 + number / rate)) == []


def test_what_a_port_had_stored_up_is_no_flood() -> None:
    decoder = LineDecoder("mm")
    stored_up = [f"{number}.25" for number in range(500)]
    assert sents(decoder.feed("".join(f"{s}\r\n" for s in stored_up).encode(), 5.0)) == stored_up


def test_a_decoder_is_made_as_its_spec_says() -> None:
    spec = parse_spec("serial:X,unit=in,pattern=#[0-9] (?P<value>.*),gap=off,mask=1")
    decoder = LineDecoder.for_spec(spec)
    assert (decoder.unit, decoder.pattern, decoder.mask) == (
        "in",
        Pattern("#[0-9] (?P<value>.*)"),
        True,
    )
    (event,) = decoder.feed(b"#1 0.584\r", 1.0)
    assert isinstance(event, Value)
    assert event.nm == 14_833_600


def test_packed_frames_come_out_as_values_too() -> None:
    spec = parse_spec("serial:X,frame=size:3 value:0+20 sign:20 unit:23,gap=50ms")
    decoder = LineDecoder.for_spec(spec)
    assert decoder.feed((1234 | 1 << 20).to_bytes(3, "little"), 1.0) == []
    assert sents(decoder.quiet(1.05)) == ["-12.34 mm"]
    decoder.feed(b"\x01", 2.0)
    assert decoder.due == pytest.approx(2.05)
    assert [type(event) for event in decoder.quiet(2.05)] == [NotUnderstood]
    decoder.feed(b"\x01", 3.0)
    assert decoder.hang_up() is not None


def test_a_line_from_keys_is_read_by_the_same_rules() -> None:
    read = read_line(Line("\u221212,34 mm".encode(), "terminator", 1.0, 1.1), None)
    assert isinstance(read, Value)
    assert read.nm == -12_340_000
    refused = read_line(Refused(b"12\x00", "lost", "keys were lost", 1.0), "mm")
    assert refused == NotUnderstood("12\\x00", "keys were lost")
    assert isinstance(read_line(Line(b"\xff\xfe", "terminator", 1.0, 1.1), "mm"), NotUnderstood)


_PARTS = st.sampled_from(
    [
        *[b"12.34", b"-0.5 in", b"\r", b"\n", b"\t", b"\0", b"\x80\xfe", b"\xb1\xb2\x33\xb4"],
        *[b"\x02", b" ", b"A1 ", b"\xe2\x88\x92", b"x" * 40, b"x" * 240, b"E1"],
    ]
)
_BYTES = st.binary(max_size=120) | st.lists(_PARTS, max_size=40).map(b"".join)
_LAYOUT = FrameLayout(size=3, value=(0, 20), sync=b"\xaa")


@given(_BYTES, st.integers(0, 2**32), st.sampled_from(["press", "stream", "ask", "mask", "frame"]))
@settings(max_examples=400)
def test_any_bytes_give_the_same_events_however_they_were_cut(
    data: bytes, seed: int, kind: str
) -> None:
    results = []
    for parts in cuts(data, seed) if data else iter([[b""]]):
        if kind in ("press", "stream", "ask"):
            decoder = LineDecoder("mm", kind)  # type: ignore[arg-type]
        elif kind == "mask":
            decoder = LineDecoder("mm", mask=True)
        else:
            decoder = LineDecoder("mm", frame=_LAYOUT)
        events = [event for part in parts for event in decoder.feed(part, 1.0)]
        results.append(events + decoder.quiet(9.0))
    assert all(result == results[0] for result in results)


@given(
    st.lists(st.integers(-99_999, 99_999), min_size=1, max_size=30),
    st.sampled_from([b"\r", b"\n", b"\r\n", b"\t", b"\r\n\0"]),
    st.sampled_from(["", " mm", "mm OK"]),
)
@settings(max_examples=100)
def test_no_honest_press_is_lost_and_none_is_changed(
    counts: list[int], end: bytes, tail: str
) -> None:
    data = b"".join(f"{count / 100:+.2f}{tail}".encode() + end for count in counts)
    events = fed(mm, data)
    assert [event.nm for event in events if isinstance(event, Value)] == [
        count * 10_000 for count in counts
    ]
    assert len(events) == len(counts)
