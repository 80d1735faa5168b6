"""Bytes to lines: what a person would lose, or be given twice, if this failed."""

from __future__ import annotations

import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.lines import Line, LineReader, NoiseDetector, Refused, mask_parity, parity_of
from tests.capture.feeding import cuts, fed
from tests.capture.uart import received


def texts(events: list[Line | Refused]) -> list[bytes]:
    return [event.raw for event in events if isinstance(event, Line)]


def refusals(events: list[Line | Refused]) -> list[Refused]:
    return [event for event in events if isinstance(event, Refused)]


@pytest.mark.parametrize(
    "end",
    [b"\r", b"\n", b"\r\n", b"\n\r", b"\t", b"\r\r", b"\n\n", b"\r\n\r\n", b"\t\r\n", b"\r\t\n"],
)
def test_one_press_is_one_line_whatever_ends_it(end: bytes) -> None:
    events = fed(LineReader, b"12.34" + end + b"12.35" + end)
    assert texts(events) == [b"12.34", b"12.35"]
    assert len(events) == 2
    assert all(isinstance(event, Line) and event.ended_by == "terminator" for event in events)


def test_a_terminator_split_across_two_reads_adds_no_empty_line() -> None:
    reader = LineReader()
    assert texts(reader.feed(b"12.34\r", 1.0)) == [b"12.34"]
    assert reader.feed(b"\n", 1.3) == []
    assert texts(reader.feed(b"12.35\r", 2.0)) == [b"12.35"]


def test_a_terminator_before_the_digits_does_not_hold_the_reading_back() -> None:
    reader = LineReader(gap=0.15)
    assert reader.feed(b"\r\n12.34", 1.0) == []
    assert texts(reader.quiet(1.15)) == [b"12.34"]
    assert reader.feed(b"\r\n12.35", 2.0) == []
    assert texts(reader.quiet(2.15)) == [b"12.35"]


def test_a_line_tells_when_it_began_and_ended() -> None:
    reader = LineReader()
    reader.feed(b"12", 1.0)
    reader.feed(b".3", 1.05)
    assert reader.feed(b"4\r", 1.1) == [Line(b"12.34", "terminator", 1.0, 1.1)]


def test_an_instrument_without_terminator_is_read_after_a_silence() -> None:
    reader = LineReader(gap=0.15)
    assert reader.due is None
    assert reader.feed(b"12.34", 5.0) == []
    assert reader.due == pytest.approx(5.15)
    assert reader.quiet(5.1) == []
    assert reader.quiet(5.2) == [Line(b"12.34", "gap", 5.0, 5.2)]
    assert reader.due is None
    assert reader.quiet(9.0) == []


def test_two_unterminated_presses_are_two_readings_even_if_quiet_was_never_called() -> None:
    reader = LineReader(gap=0.15)
    reader.feed(b"12.34", 5.0)
    assert texts(reader.feed(b"12.35", 6.0)) == [b"12.34"]
    assert texts(reader.quiet(7.0)) == [b"12.35"]


def test_a_terminated_line_held_up_in_the_middle_is_not_cut_into_two_wrong_numbers() -> None:
    reader = LineReader(gap=0.15)
    reader.feed(b"11.11\r", 1.0)
    assert reader.feed(b"12.", 2.0) == []
    assert reader.quiet(2.6) == []
    assert texts(reader.feed(b"34\r", 2.7)) == [b"12.34"]


def test_half_a_line_that_nothing_completes_is_shown_and_is_no_reading() -> None:
    reader = LineReader(gap=0.15)
    reader.feed(b"11.11\r12.", 1.0)
    assert reader.quiet(2.9) == []
    (refused,) = reader.quiet(3.0)
    assert isinstance(refused, Refused)
    assert (refused.raw, refused.kind) == (b"12.", "half")
    assert texts(reader.feed(b"12.34\r", 4.0)) == [b"12.34"]


def test_noise_that_held_a_terminator_costs_an_unterminated_instrument_one_press_at_most() -> None:
    reader = LineReader(gap=0.15)
    reader.feed(b"~\r", 1.0)
    reader.feed(b"12.34", 5.0)
    assert [refused.kind for refused in refusals(reader.quiet(8.0))] == ["half"]
    reader.feed(b"12.34", 9.0)
    assert texts(reader.quiet(9.2)) == [b"12.34"]


def test_an_unplug_in_mid_line_never_makes_a_reading() -> None:
    reader = LineReader()
    reader.feed(b"11.11\r\n12.3", 1.0)
    refused = reader.hang_up()
    assert refused is not None
    assert (refused.raw, refused.kind) == (b"12.3", "half")
    assert reader.hang_up() is None
    assert texts(reader.feed(b"4\r\n12.34\r\n", 2.0)) == [b"4", b"12.34"]


def test_a_stream_joined_in_mid_line_drops_the_half_line() -> None:
    assert texts(fed(lambda: LineReader(start="joined"), b"2.34\r\n12.34\r\n")) == [b"12.34"]
    assert refusals(fed(lambda: LineReader(start="joined"), b"2.34\r\n12.34\r\n")) == []


def test_a_stream_joined_after_a_pause_keeps_its_first_whole_line() -> None:
    reader = LineReader(start="joined", gap=0.15)
    reader.feed(b"2.34", 1.0)
    assert reader.quiet(1.2) == []
    assert texts(reader.feed(b"12.34\r", 1.3)) == [b"12.34"]


def test_a_stream_is_joined_anew_after_every_unplug() -> None:
    reader = LineReader(start="joined")
    assert texts(reader.feed(b"4\r12.34\r12", 1.0)) == [b"12.34"]
    reader.hang_up()
    assert texts(reader.feed(b".34\r12.35\r", 2.0)) == [b"12.35"]


def test_the_first_press_after_opening_counts_for_a_send_button() -> None:
    assert texts(fed(LineReader, b"12.34\r\n")) == [b"12.34"]


def test_nuls_and_outer_control_bytes_vanish_but_inner_ones_stay_to_be_refused() -> None:
    assert texts(fed(LineReader, b"\x02\x0012.34\x03\x00\r\x00\n")) == [b"12.34"]
    assert texts(fed(LineReader, b"1\x002.34\r")) == [b"12.34"]
    assert texts(fed(LineReader, b"12\x0334\r")) == [b"12\x0334"]
    assert texts(fed(LineReader, b" \x02 12.34 \x03 \x7f\r")) == [b"  12.34  "]


def test_spaces_around_a_number_are_kept_as_sent() -> None:
    assert texts(fed(LineReader, b"   12.34  \r\n")) == [b"   12.34  "]


def test_blank_lines_are_no_lines() -> None:
    assert fed(LineReader, b"\r\n  \r\n\x00\x02\r\n\t") == []


def test_an_overlong_line_is_refused_once_and_the_next_line_counts() -> None:
    data = b"9" * 1000 + b"\r\n12.34\r\n"
    events = fed(LineReader, data)
    assert texts(events) == [b"12.34"]
    (refused,) = refusals(events)
    assert refused.kind == "overlong"
    assert refused.raw == b"9" * 256


def test_a_line_of_exactly_the_longest_length_counts() -> None:
    assert texts(fed(lambda: LineReader(longest=5), b"12.34\r123.45\r1\r")) == [b"12.34", b"1"]


def test_endless_bytes_without_end_are_refused_once_in_flat_memory() -> None:
    reader = LineReader()
    events: list[Line | Refused] = []
    for step in range(2000):
        events += reader.feed(b"12.34 " * 100, step / 100)
    assert [event.kind for event in refusals(events)] == ["overlong"]
    assert texts(events) == []
    assert sys.getsizeof(reader._half) < 1000


def test_a_stream_without_terminator_is_refused_with_a_reason() -> None:
    reader = LineReader(gap=0.15)
    events = [event for step in range(600) for event in reader.feed(b"12.34", step / 10)]
    (refused,) = refusals(events)
    assert texts(events) == []
    assert "without an end of line" in refused.reason


def test_a_press_after_a_burst_of_noise_and_a_silence_counts() -> None:
    reader = LineReader()
    reader.feed(b"x" * 300, 1.0)
    assert texts(reader.feed(b"12.34\r", 60.0)) == [b"12.34"]


@pytest.mark.parametrize(("longest", "gap"), [(0, 0.1), (10, 0.0), (10, -1.0)])
def test_a_reader_that_could_never_read_is_refused_at_once(longest: int, gap: float) -> None:
    with pytest.raises(ValueError, match=r"longest|gap"):
        LineReader(longest, gap)


_MARKS = st.sampled_from([b"1", b".", b"-", b" ", b"\r", b"\n", b"\t", b"\0", b"\x02", b"\xff"])


@given(st.lists(_MARKS, max_size=60).map(b"".join), st.integers(0, 2**32), st.integers(1, 12))
@settings(max_examples=300)
def test_lines_are_the_same_however_the_reads_were_cut(data: bytes, seed: int, long: int) -> None:
    results = []
    for parts in cuts(data, seed) if data else iter([[b""]]):
        reader = LineReader(longest=long, gap=0.15)
        events = [event for part in parts for event in reader.feed(part, 1.0)]
        results.append(events + reader.quiet(9.0))
        assert len(reader._half) <= long
    assert all(result == results[0] for result in results)


@given(st.lists(st.text("0123456789.- ", min_size=1, max_size=20), max_size=20), st.data())
@settings(max_examples=100)
def test_no_valid_line_is_lost_in_any_noise_between_lines(
    lines: list[str], data: st.DataObject
) -> None:
    ends = st.sampled_from([b"\r", b"\n", b"\r\n", b"\n\r", b"\t", b"\r\n\0\0", b"\r\x02"])
    sent = b"".join(line.encode() + data.draw(ends) for line in lines)
    expected = [line.encode() for line in lines if line.strip()]
    assert texts(fed(LineReader, sent)) == expected if sent else True


NUMBERS = [f"{(-1) ** n * (n * 7919 % 15000) / 100:.2f}\r\n".encode() for n in range(200)]


@pytest.mark.parametrize(
    ("sent", "read"),
    [(9600, 2400), (9600, 4800), (9600, 19200), (9600, 38400), (9600, 115200), (115200, 9600)],
)
def test_a_wrong_speed_is_called_after_a_few_lines(sent: int, read: int) -> None:
    watch = NoiseDetector()
    calls = [
        (number, kind)
        for number, heard in enumerate(received(NUMBERS, sent, read))
        if (kind := watch.feed(heard, float(number))) is not None
    ]
    assert [kind for _, kind in calls] == ["wrong speed?"]
    assert calls[0][0] < 6
    assert watch.noisy


def test_the_right_speed_hears_what_was_sent() -> None:
    # Guards the simulation that the tests of wrong speeds lean on.
    assert received(NUMBERS, 9600, 9600) == NUMBERS


def test_padding_nuls_between_good_lines_are_no_noise() -> None:
    watch = NoiseDetector()
    for step in range(50):
        assert watch.feed(b"12.34\r\0\0\0\0\0\0", step / 10) is None
        watch.line(b"12.34")
    assert not watch.noisy


def test_stray_bytes_of_a_motor_start_do_not_make_presses_wait() -> None:
    watch = NoiseDetector()
    for minute in range(10):
        assert watch.feed(b"\xff", 60.0 * minute) is None
    assert not watch.noisy


def test_after_noise_only_the_third_clean_line_in_a_row_is_believed() -> None:
    watch = NoiseDetector()
    assert watch.feed(b"\x80\xfe\x00" * 10, 1.0) == "wrong speed?"
    watch.line(b"12.34")
    watch.feed(b"\x80", 2.0)
    for believed in (False, False, True):
        assert watch.noisy
        watch.line(b"12.34")
        assert watch.noisy is not believed


def _with_parity(text: bytes, odd: bool) -> bytes:
    return bytes(mark | 0x80 if mark.bit_count() % 2 != odd else mark for mark in text)


def test_seven_bits_with_parity_are_named_and_unmasked_only_on_request() -> None:
    # -12.34 in 7 bits with even parity: 2D B1 B2 2E 33 B4 (bit counts, by hand).
    assert _with_parity(b"-12.34", odd=False) == bytes.fromhex("2db1b22e33b4")
    assert parity_of(bytes.fromhex("2db1b22e33b4")) == "7 data bits, even parity"
    assert parity_of(_with_parity(b"-12.34", odd=True)) == "7 data bits, odd parity"
    assert mask_parity(bytes.fromhex("2db1b22e33b4")) == b"-12.34"
    watch = NoiseDetector()
    assert watch.line(bytes.fromhex("2db1b22e33b4")) == "7 data bits, even parity"
    assert watch.line(bytes.fromhex("2db1b22e33b4")) is None  # said once
    assert watch.noisy


@pytest.mark.parametrize(
    "plain", [b"", b"-12.34", b"\xff", b"12.34\xff", b"\x81\x82\x84\x88", b"33.50"]
)
def test_plain_text_and_garbage_are_not_taken_for_parity(plain: bytes) -> None:
    assert parity_of(plain) is None


def test_blanks_without_an_end_are_no_line_after_their_silence() -> None:
    reader = LineReader(gap=0.15)
    reader.feed(b"  \x02 ", 1.0)
    assert reader.quiet(2.0) == []
    assert reader.hang_up() is None


def test_noise_without_end_is_over_after_exactly_the_silence_that_ends_half_lines() -> None:
    for pause, read in ((1.75, []), (2.0, [b"4"])):
        reader = LineReader()
        reader.feed(b"x" * 300, 1.0)
        assert texts(reader.feed(b"4\r", 1.0 + pause)) == read


def test_the_third_bad_burst_within_ten_seconds_of_the_last_is_called() -> None:
    close, far = NoiseDetector(), NoiseDetector()
    assert [close.feed(b"\xff", 9.5 * n) for n in range(3)] == [None, None, "wrong speed?"]
    assert [far.feed(b"\xff", 10.0 * n) for n in range(3)] == [None] * 3
