"""Instruments on real ports, and what their faults must not do.

Rows are those of the table of faults that a workshop brings.
"""

from __future__ import annotations

import itertools
import os
import re
import socket
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import serial
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

from analysis.methods import METHODS
from capture.bench import Instruments, default_name
from capture.pretend import PretendBench, PtyPort, TcpPort
from capture.records import CaliperState, Reading
from capture.spec import parse_spec
from tests.capture.notebook import Notebook, bench, listening, state_of
from tests.ptys import plugged, until


def test_a_press_becomes_a_reading_with_everything_it_says() -> None:
    with (
        plugged() as port,
        bench(f"serial:{port.target},name=blue,bench=left,unit=mm") as (book, _),
    ):
        assert listening(book)
        before = datetime.now(UTC)
        port.send(b" 12.340\r\n")
        assert until(lambda: book.readings)
        (reading,) = book.readings
        assert (reading.bench, reading.caliper) == ("left", "blue")
        assert (reading.sent.strip(), reading.unit, reading.nm) == ("12.340", "mm", 12_340_000)
        assert (reading.origin, reading.late, reading.since_previous_ms) == ("button", False, None)
        assert before <= reading.taken_at <= datetime.now(UTC)
        # RFC 9562: the version stands in the id, and ids sort by their time.
        assert reading.id.version == 7
        port.send(b"0.5 in\r\n")
        assert until(lambda: len(book.readings) == 2)
        assert book.readings[1].id > reading.id
        assert book.readings[1].nm == 12_700_000
        assert book.readings[1].since_previous_ms is not None


def test_a_half_line_at_an_unplug_is_no_reading_and_the_next_whole_one_is(tmp_path: Path) -> None:
    """Rows 1 and 2: seen, and found again under another number."""
    with (
        plugged(tmp_path / "gauge") as port,
        bench(f"serial:{port.target},name=g,unit=mm") as (book, instruments),
    ):
        assert listening(book)
        port.send(b"1.00\r\n12.3")
        assert until(lambda: book.readings)
        was = os.path.realpath(port.target)
        port.unplug()
        assert until(lambda: book.said("unplugged", "plug it in again"))
        assert state_of(instruments, "g").state == "unplugged"
        with plugged():  # Takes the old number.
            port.plug()
            assert os.path.realpath(port.target) != was
            assert until(lambda: state_of(instruments, "g").state == "listening")
            port.send(b"2.00\r\n")
            assert until(lambda: len(book.readings) == 2)
        assert book.sent() == ["1.00", "2.00"]
        assert [each.raw for each in book.refusals] == ["12.3"]
        assert "half a line" in book.refusals[0].reason


def usb_port(port: PtyPort, location: str) -> ListPortInfo:
    """What the system would say of `port`, were it an adapter without a serial number."""
    info = ListPortInfo(os.path.realpath(port.target))
    info.vid, info.pid, info.location = 0x1209, 0x0001, location
    return info


def test_twins_that_share_a_name_are_never_guessed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Row 3: named by their by-id link, opened and after a replug."""
    there: list[ListPortInfo] = []
    monkeypatch.setattr(list_ports, "comports", lambda: list(there))
    name = tmp_path / "by-id/usb-Workbench_Gauge-if00-port0"
    name.parent.mkdir()
    with plugged(name) as mine, plugged() as twin:
        there[:] = [usb_port(mine, "1-2"), usb_port(twin, "1-3")]
        with bench(f"serial:{name},name=g,unit=mm") as (book, its):
            assert until(lambda: book.said("trouble", "2 units alike share the name"))
            assert f"serial:{os.path.realpath(twin.target)}" in state_of(its, "g").message
            # Alone, it is the one that the name means.
            there[:] = there[:1]
            assert until(lambda: state_of(its, "g").state == "listening")
            # The other one is plugged in too, and has the name when this one goes.
            there.append(usb_port(twin, "1-3"))
            mine.unplug()
            del there[0]
            name.symlink_to(os.path.realpath(twin.target))
            assert until(lambda: state_of(its, "g").state == "unplugged")
            assert not until(lambda: state_of(its, "g").state == "listening", 1.0)
            twin.send(b"99.00\r\n")
            name.unlink()
            mine.plug()
            there.append(usb_port(mine, "1-2"))
            assert until(lambda: state_of(its, "g").state == "listening")
            mine.send(b"1.00\r\n")
            assert until(lambda: book.readings)
            assert book.sent() == ["1.00"]


def test_an_instrument_that_stays_away_is_said_once(tmp_path: Path) -> None:
    """Row 4, absent at the start; no log flood (row 2)."""
    link = tmp_path / "gauge"
    with bench(f"serial:{link},name=g,unit=mm") as (book, instruments):
        assert until(lambda: book.said("waiting", "plug it in"))
        # Several attempts, one report.
        assert not until(lambda: len(book.states) > 1, 1.2)
        with plugged(link) as port:
            assert until(lambda: state_of(instruments, "g").state == "listening")
            assert state_of(instruments, "g").message == ""
            port.send(b"1.00\r\n")
            assert until(lambda: book.readings)


def test_a_busy_port_is_said_and_taken_once_it_is_free() -> None:
    """Row 4, busy."""
    with plugged() as port:
        other = serial.Serial(port.target, exclusive=True)
        with bench(f"serial:{port.target},name=g") as (book, _):
            assert until(lambda: book.said("trouble", "another program"))
            other.close()
            assert listening(book)


def test_bare_digits_end_by_silence() -> None:
    """Row 6."""
    with plugged() as port, bench(f"serial:{port.target},unit=mm") as (book, _):
        assert listening(book)
        port.send(b"12.34")
        assert until(lambda: book.readings)
        port.send(b"12.35")
        assert until(lambda: len(book.readings) == 2)
        assert book.sent() == ["12.34", "12.35"]


@pytest.mark.parametrize("size", [1, 2, 5, 1000])
def test_chunks_make_no_difference(size: int) -> None:
    """Row 8."""
    sent = [f"{number}.5" for number in range(10)]
    data = "".join(f"{each}\r\n" for each in sent).encode()
    with plugged() as port, bench(f"serial:{port.target},unit=mm") as (book, _):
        assert listening(book)
        for at in range(0, len(data), size):
            port.send(data[at : at + size])
        assert until(lambda: len(book.readings) == 10)
        assert book.sent() == sent


def even(text: str) -> bytes:
    """`text` in 7 data bits and even parity, as 8 bits show it."""
    return bytes(byte | byte.bit_count() % 2 << 7 for byte in text.encode())


@dataclass(frozen=True)
class Fault:
    """What comes down the line, and all that may come of it: readings as sent with their
    nanometres, words of each refusal, words of the trouble that is said."""

    row: str
    sent: bytes
    readings: Sequence[tuple[str, int]] = ()
    refused: Sequence[str] = ()
    trouble: str = ""
    options: str = "unit=mm"


OK = ("7.77", 7_770_000)
FAULTS = [
    Fault("7 CR", b"1.5\r7.77\r", [("1.5", 1_500_000), OK]),
    Fault("7 LF", b"1.5\n7.77\n", [("1.5", 1_500_000), OK]),
    Fault("7 LF CR, doubled", b"1.5\n\r\n\r7.77\n\r", [("1.5", 1_500_000), OK]),
    Fault("7 CR CR LF", b"1.5\r\r\n\r\r\n7.77\r\r\n", [("1.5", 1_500_000), OK]),
    Fault("10 said", even("1.5\r\n2.5\r\n") * 4, trouble="7 data bits with even parity"),
    Fault("10 masked", even("-12.34\r\n"), [("-12.34", -12_340_000)], options="unit=mm,mask=1"),
    Fault("11 around", b"\0\x02+1.5\x03\0\r\n7.77\r\n", [("+1.5", 1_500_000), OK]),
    Fault("11 within", b"1\x07.5\r\n7.77\r\n", [OK], ["control"]),
    Fault("12", b"9" * 3000 + b"\r\n7.77\r\n", [OK], ["more than 256 bytes"]),
    Fault(
        "15 in the line",
        b"25.4 mm\r\n1.0 in\r\n7.77\r\n",
        [("25.4 mm", 25_400_000), ("1.0 in", 25_400_000), OK],
    ),
    Fault("15 none", b"25.4\r\n7.77 mm\r\n", [("7.77 mm", OK[1])], ["unit"], options="name=g"),
    Fault("16 comma", b"12,34\r\n7.77\r\n", [("12,34", 12_340_000), OK]),
    Fault("16 both", b"1,234.5\r\n7.77\r\n", [OK], ["more than one decimal mark"]),
    Fault(
        "17",
        "+1.2\r-0.00\r- 12.3\r\u22121.5\r7.77\r".encode(),
        [
            ("+1.2", 1_200_000),
            ("-0.00", 0),
            ("- 12.3", -12_300_000),
            ("\u22121.5", -1_500_000),
            OK,
        ],
    ),
    Fault("17 behind", b"12.3-\r7.77\r", [OK], [""]),
    Fault(
        "18",
        b"  12.340  \r000.50\r.5\r5.\r7.77\r",
        [
            ("  12.340  ", 12_340_000),
            ("000.50", 500_000),
            (".5", 500_000),
            ("5.", 5_000_000),
            OK,
        ],
    ),
    Fault(
        "19",
        b"A1 +12.34\r12.34 mm OK\r7.77\r",
        [("A1 +12.34", 12_340_000), ("12.34 mm OK", 12_340_000), OK],
    ),
    Fault("19 two numbers", b"12.34 56.78\r7.77\r", [OK], [""]),
    Fault(
        "19 pattern",
        b"T20 W=1.5 Z9\rT20 X=1.5\r",
        [("T20 W=1.5 Z9", 1_500_000)],
        ["a message of the instrument"],
        options="unit=mm,pattern=T[0-9]+ W=(?P<value>[0-9.]+) Z[0-9]",
    ),
    *(
        Fault(f"21 {line}", f"{line}\r7.77\r".encode(), [OK], [""])
        for line in ("nan", "inf", "1e3", "0x10", "1_000", "\u0661\u0662.5", "1.2.3")
    ),
    Fault(
        "22",
        b"9999.99\r-3.21\r7.77\r",
        [("9999.99", 9_999_990_000), ("-3.21", -3_210_000), OK],
    ),
]


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: f"row {fault.row}")
def test_a_fault_on_the_line_costs_what_it_must_and_no_more(fault: Fault) -> None:
    """Rows 7, 10 to 12, 15 to 19, 21 and 22, through a real port to the record."""
    with plugged() as port, bench(f"serial:{port.target},{fault.options}") as (book, _):
        assert listening(book)
        port.send(fault.sent)
        if fault.trouble:
            assert until(lambda: book.said("trouble", fault.trouble))
        assert until(lambda: len(book.readings) >= len(fault.readings))
        assert until(lambda: len(book.refusals) >= len(fault.refused))
        assert [(each.sent, each.nm) for each in book.readings] == list(fault.readings)
        if not fault.trouble:
            assert len(book.refusals) == len(fault.refused), book.refusals
            for refusal, words in zip(book.refusals, fault.refused, strict=True):
                assert words in refusal.reason


@pytest.mark.parametrize("baud", [2400, 19200, 115200])
def test_a_port_at_the_wrong_speed_says_so_and_keeps_nothing(baud: int) -> None:
    """Row 9: the bytes are what a receiver at 9600 makes of them."""
    port = PtyPort(baud=baud)
    try:
        with bench(f"serial:{port.target},unit=mm") as (book, _):
            assert listening(book)
            numbers = itertools.count(1000)

            def said() -> bool:
                port.send(f"{next(numbers) / 100:.2f}\r\n".encode())
                return book.said("trouble", "wrong speed?")

            assert until(said)
            assert book.readings == []
    finally:
        port.close()


def test_a_bounce_reaches_the_record_with_the_time_that_tells_it() -> None:
    """Row 13, at the record: both are kept, and how close they came."""
    with plugged() as port, bench(f"serial:{port.target},unit=mm") as (book, _):
        assert listening(book)
        port.send(b"12.34\r\n12.34\r\n")
        assert until(lambda: len(book.readings) == 2)
        since = book.readings[1].since_previous_ms
        assert since is not None
        assert since < 250


def test_what_an_instrument_says_of_itself_is_shown_and_not_counted() -> None:
    """Row 20."""
    with plugged() as port, bench(f"serial:{port.target},name=g,unit=mm") as (book, instruments):
        assert listening(book)
        port.send(b"LOW BAT\r\n")
        assert until(lambda: "LOW BAT" in state_of(instruments, "g").message)
        assert until(lambda: book.refusals)
        port.send(b"1.00\r\n")
        assert until(lambda: book.readings)
        assert until(lambda: state_of(instruments, "g").message == "")


@pytest.mark.parametrize("step", [0, 1])
def test_a_stream_on_a_press_port_is_said_to_be_one(step: int) -> None:
    """Row 24: jaws that stand, and jaws that move."""
    with plugged() as port, bench(f"serial:{port.target},name=g,unit=mm") as (book, _):
        assert listening(book)
        stop = threading.Event()

        def stream() -> None:
            for number in itertools.count():
                if stop.wait(0.05):
                    break
                port.send(f"{12 + step * number}.34\r\n".encode())

        thread = threading.Thread(target=stream)
        thread.start()
        try:
            assert until(lambda: book.said("trouble", "mode=stream"))

            def rests() -> bool:
                kept = len(book.readings)
                return not until(lambda: len(book.readings) > kept, 0.3)

            # What goes on streaming is stored no more, once what was heard before is.
            assert until(rests)
        finally:
            stop.set()
            thread.join()


def test_presses_that_were_held_back_keep_the_moments_at_which_they_came() -> None:
    """Row 24: a program that presses a dozen times at an even pace, and no more."""
    pace = threading.Event()

    def kept_apart() -> bool:
        with plugged() as port, bench(f"serial:{port.target},name=g,unit=mm") as (book, _):
            assert listening(book)
            for number in range(12):
                port.send(f"{number}.5\r\n".encode())
                pace.wait(0.03)
            assert until(lambda: len(book.readings) == 12)
            assert book.sent() == [f"{number}.5" for number in range(12)]
            taken = [each.taken_at for each in book.readings]
            assert taken == sorted(taken)
            # Handed on together, they would follow one another within no time.
            gaps = [each.since_previous_ms or 0 for each in book.readings[1:]]
            return min(gaps) >= 5 and taken[-1] - taken[0] >= timedelta(seconds=0.25)

    assert until(kept_apart)  # a busy machine may itself hear several at once


def test_jaws_that_keep_moving_are_said_to_and_the_words_go_when_they_stand() -> None:
    """Row 23: `still moving` is shown, at most two changes a second."""
    with (
        plugged() as port,
        bench(f"serial:{port.target},name=g,unit=mm,mode=stream,settle=0.1") as (book, its),
    ):
        assert listening(book)
        widths = itertools.count(12)

        def moving() -> bool:
            port.send(f"{next(widths)}.00\r\n".encode())
            return "still moving" in state_of(its, "g").message

        assert until(moving)
        assert book.readings == []
        assert state_of(its, "g").state == "listening"

        def stands() -> bool:
            port.send(b"11.00\r\n")
            return bool(book.readings) and state_of(its, "g").message == ""

        assert until(stands)

        def zero() -> bool:
            port.send(b"0.00\r\n")
            return "at zero" in state_of(its, "g").message

        assert until(zero)
        # Hundreds of values went by, and few words about them.
        assert until(lambda: book.said("listening", "at zero"))
        assert len(book.states) <= 8


def test_a_stream_gives_one_reading_for_each_strip() -> None:
    """Row 23, at the record."""
    with (
        plugged() as port,
        bench(f"serial:{port.target},name=g,unit=mm,mode=stream,settle=0.1") as (book, _),
    ):
        assert listening(book)
        port.send(b"4\r\n")  # The tail of a line that began before anyone listened.
        for width in ("12.00", "13.00"):
            count = len(book.readings)

            def still(width: str = width, count: int = count) -> bool:
                port.send(f"{width}\r\n".encode())
                return len(book.readings) > count

            assert until(still)
        assert book.sent() == ["12.00", "13.00"]


def test_a_caliper_is_asked_and_answers() -> None:
    """Row 25: no answer is shown, asked once more; a surplus answer is dropped."""
    asked: list[bytes] = []
    answers = iter([b"1.00\r\n", b"2.00\r\n2.01\r\n", b"", b"3.00\r\n"])

    def answer(data: bytes) -> bytes:
        asked.append(data)
        return next(answers, b"")

    port = TcpPort(answer=answer)
    spec = f"serial:{port.target},name=g,unit=mm,mode=ask,request=?\\r"
    try:
        with bench(spec) as (book, instruments):
            assert listening(book)
            instruments.ask("g")
            assert until(lambda: book.sent() == ["1.00"])
            instruments.ask("g")
            assert until(lambda: book.sent() == ["1.00", "2.00"])
            assert until(lambda: book.refusals)
            assert book.refusals[0].raw == "2.01"
            instruments.ask("g")
            assert until(lambda: book.sent() == ["1.00", "2.00", "3.00"])
            assert asked == [b"?\r"] * 4
            instruments.ask("g")
            assert until(lambda: state_of(instruments, "g").state == "quiet")
            assert "does not answer" in state_of(instruments, "g").message
            # Abandoned is abandoned: this answer belongs to no question.
            port.send(b"4.00\r\n")
            assert until(lambda: any(each.raw == "4.00" for each in book.refusals))
            assert book.sent() == ["1.00", "2.00", "3.00"]
    finally:
        port.close()


def test_a_caliper_can_be_asked_at_an_interval() -> None:
    port = TcpPort(answer=lambda _: b"1.00\r\n")
    spec = f"serial:{port.target},name=g,unit=mm,mode=ask,request=?,interval=0.02"
    try:
        with bench(spec) as (book, _):
            assert until(lambda: len(book.readings) >= 3)
    finally:
        port.close()


def test_order_and_gaps_survive_a_clock_that_steps_back() -> None:
    """Row 27."""
    start = datetime(2031, 5, 6, tzinfo=UTC)
    steps = itertools.count()

    def wall() -> datetime:
        return start - timedelta(hours=next(steps))

    with plugged() as port, bench(f"serial:{port.target},unit=mm", wall=wall) as (book, _):
        assert listening(book)
        for number in range(3):
            port.send(f"{number}.5\r\n".encode())
            assert until(lambda number=number: len(book.readings) == number + 1)
            heard = time.monotonic()
            assert until(lambda heard=heard: time.monotonic() >= heard + 0.02)
        assert book.sent() == ["0.5", "1.5", "2.5"]
        taken = [each.taken_at for each in book.readings]
        assert taken == sorted(taken, reverse=True)
        # By the wall clock an hour less than nothing would have passed each time.
        assert all(20 <= (each.since_previous_ms or 0) < 3_600_000 for each in book.readings[1:])
        ids = [each.id for each in book.readings]
        assert ids == sorted(ids)


def test_several_calipers_behind_one_port_are_told_apart_by_their_label() -> None:
    pattern = r"(?P<label>CH[0-9]) (?P<value>[0-9.]+)"
    with (
        plugged() as port,
        bench(f"serial:{port.target},name=box,unit=mm,pattern={pattern}") as (
            book,
            _,
        ),
    ):
        assert listening(book)
        port.send(b"CH1 1.00\r\nCH2 1.00\r\nCH1 1.00\r\n")
        assert until(lambda: len(book.readings) == 3)
        assert [each.caliper for each in book.readings] == ["box CH1", "box CH2", "box CH1"]
        # The second is no bounce of the first: it is another caliper's first.
        assert [each.since_previous_ms is None for each in book.readings] == [True, True, False]


def test_two_instruments_at_once_are_never_mixed() -> None:
    """Row 28."""
    with (
        plugged() as one,
        plugged() as two,
        bench(f"serial:{one.target},name=one,unit=mm", f"serial:{two.target},name=two,unit=mm") as (
            book,
            _,
        ),
    ):
        assert listening(book, 2)
        for number in range(20):
            # In pieces that interleave.
            one.send(f"1.{number:02d}".encode())
            two.send(f"2.{number:02d}".encode())
            one.send(b"\r\n")
            two.send(b"\r\n")
        assert until(lambda: len(book.readings) == 40)
        assert book.sent("one") == [f"1.{number:02d}" for number in range(20)]
        assert book.sent("two") == [f"2.{number:02d}" for number in range(20)]


def test_a_mad_instrument_keeps_no_other_from_being_heard_and_floods_nothing() -> None:
    """Row 34."""
    with (
        plugged() as mad,
        plugged() as calm,
        bench(
            f"serial:{mad.target},name=mad,unit=mm", f"serial:{calm.target},name=calm,unit=mm"
        ) as (book, _),
    ):
        assert listening(book, 2)
        stop = threading.Event()

        def rave() -> None:
            while not stop.is_set():
                mad.send(b"what? ever 1 2 3\r\n" * 20)
                time.sleep(0.005)

        thread = threading.Thread(target=rave)
        thread.start()
        try:
            assert until(lambda: len(book.refusals) >= 20)
            for number in range(10):
                calm.send(f"{number}.5\r\n".encode())
                assert until(lambda number=number: len(book.sent("calm")) == number + 1)
            assert thread.is_alive()
            # Thousands of lines have gone by: listed are a burst, then two a second.
            assert len(book.refusals) < 60
        finally:
            stop.set()
            thread.join()
        # None is passed over in silence.
        listed = r"([0-9]+) more lines (?:before it )?were not understood"
        assert until(lambda: re.search(listed, book.refusals[-1].reason))


def test_readings_wait_in_order_while_the_store_fails() -> None:
    """Row 35: nothing is lost, the fault is said aloud, and clears by itself."""
    with plugged() as port, bench(f"serial:{port.target},name=g,unit=mm") as (book, instruments):
        assert listening(book)
        book.fault = OSError("No space left on device")
        for number in range(5):
            port.send(f"{number}.5\r\n".encode())
        assert until(lambda: state_of(instruments, "g").state == "trouble")
        assert "No space left" in state_of(instruments, "g").message
        assert book.readings == []
        book.fault = None
        assert until(lambda: len(book.readings) == 5)
        assert book.sent() == [f"{number}.5" for number in range(5)]
        assert until(lambda: state_of(instruments, "g").state == "listening")


def test_a_store_that_does_not_answer_is_said_while_it_is_waited_for() -> None:
    with plugged() as port, bench(f"serial:{port.target},name=g,unit=mm") as (book, instruments):
        assert listening(book)
        book.gate.clear()
        port.send(b"1.00\r\n")
        assert until(lambda: "does not answer" in state_of(instruments, "g").message)
        assert state_of(instruments, "g").state == "trouble"
        book.gate.set()
        assert until(lambda: state_of(instruments, "g").state == "listening")
        assert book.sent() == ["1.00"]


def test_a_flood_costs_no_neighbour_time_or_a_reading() -> None:
    with (
        plugged() as mad,
        plugged() as calm,
        bench(
            f"serial:{mad.target},name=mad,unit=mm", f"serial:{calm.target},name=calm,unit=mm"
        ) as (book, instruments),
    ):
        assert listening(book, 2)
        book.gate.clear()
        mad.send(b"".join(b"%d.25\r\n" % n for n in range(700)))
        waiting = instruments._keeper._queues
        assert until(lambda: sum(len(q) for q in list(waiting.values())) == 700)
        for number in range(5):
            calm.send(b"1%d.50\r\n" % number)
        assert until(lambda: sum(len(q) for q in list(waiting.values())) == 705)
        book.gate.set()
        assert until(lambda: len(book.readings) == 705)
        # A few of the flood were there before it could be told to be one.
        order = [reading.caliper for reading in book.readings]
        assert [n for n, name in enumerate(order) if name == "calm"][-1] < 100
        assert book.sent("mad") == [f"{n}.25" for n in range(700)]
        assert book.sent("calm") == [f"1{n}.50" for n in range(5)]


def test_two_calipers_at_a_bench_are_stored_in_the_order_heard_after_an_outage() -> None:
    """However many presses wait: a strip's two ends may be read by two calipers."""
    with (
        plugged() as one,
        plugged() as two,
        bench(f"serial:{one.target},name=one,unit=mm", f"serial:{two.target},name=two,unit=mm") as (
            book,
            instruments,
        ),
    ):
        assert listening(book, 2)
        book.fault = OSError("gone")
        waiting = instruments._keeper._queues
        pressed = []
        for number in range(60):
            name, port = (("one", one), ("two", two))[number % 3 == 0]
            port.send(f"{number}.25\r\n".encode())
            pressed.append((name, f"{number}.25"))
            assert until(
                lambda number=number: sum(len(q) for q in list(waiting.values())) == number + 1
            )
        book.fault = None
        assert until(lambda: len(book.readings) == 60)
        assert [(r.caliper, r.sent) for r in book.readings] == pressed


def test_what_waits_at_the_end_is_stored_for_as_long_as_the_store_takes_it() -> None:
    with plugged() as port:
        book = Notebook()
        instruments = Instruments(book.keep, book.refuse, book.report)
        instruments.start([parse_spec(f"serial:{port.target},name=g,unit=mm")])
        assert listening(book)
        book.gate.clear()
        port.send(b"".join(b"%d.25\r\n" % n for n in range(300)))
        waiting = instruments._keeper._queues
        assert until(lambda: sum(len(q) for q in list(waiting.values())) == 300)
        slow = threading.Event()
        keep = instruments._keeper._keep

        def slowly(reading: Reading) -> None:
            slow.wait(0.01)  # a store as slow as that needs three seconds for all
            keep(reading)

        instruments._keeper._keep = slowly
        book.gate.set()
        assert instruments.stop() == ()
        assert len(book.readings) == 300


def test_a_slow_store_holds_up_no_port() -> None:
    """Row 35: the port is read on while the store hangs."""
    with plugged() as port, bench(f"serial:{port.target},name=g,unit=mm") as (book, instruments):
        assert listening(book)
        book.gate.clear()
        port.send(b"1.00\r\n")
        assert until(lambda: state_of(instruments, "g").last_heard is not None)
        heard = state_of(instruments, "g").last_heard
        port.send(b"2.00\r\n")
        assert until(lambda: state_of(instruments, "g").last_heard != heard)
        port.unplug()
        assert until(lambda: book.said("unplugged"))
        book.gate.set()
        assert until(lambda: book.sent() == ["1.00", "2.00"])


def test_stopping_hands_on_what_was_heard_and_gives_back_what_no_store_took() -> None:
    """Row 36."""
    with plugged() as port:
        book = Notebook()
        instruments = Instruments(book.keep, book.refuse, book.report)
        instruments.start([parse_spec(f"serial:{port.target},name=g,unit=mm")])
        assert listening(book)
        book.fault = OSError("gone")
        port.send(b"1.00\r\n2.00\r\n3.0")
        assert until(lambda: state_of(instruments, "g").state == "trouble")
        left = instruments.stop()
        assert [each.sent for each in left] == ["1.00", "2.00"]
        assert book.readings == []
        # The port is free again, and the half line is nowhere.
        serial.Serial(port.target, exclusive=True).close()


def test_stopping_ends_whatever_hangs() -> None:
    """Row 36: an address that swallows connections, a store that hangs."""
    with socket.create_server(("127.0.0.1", 0), backlog=0) as deaf, plugged() as port:
        # The queue of connections is full, so that the next one waits for its time to run out.
        queue = [socket.socket() for _ in range(3)]
        for each in queue:
            each.setblocking(False)
            each.connect_ex(deaf.getsockname())
        book = Notebook()
        instruments = Instruments(book.keep, book.refuse, book.report)
        address = f"socket://127.0.0.1:{deaf.getsockname()[1]}"
        instruments.start(
            parse_spec(text) for text in (f"serial:{address}", f"serial:{port.target},unit=mm")
        )
        assert listening(book)
        book.gate.clear()
        port.send(b"1.00\r\n")
        assert until(lambda: any(each.last_heard for each in instruments.states()))
        left: list[Reading] = []
        # The store hangs for as long as it takes: waiting for it would never end.
        stopping = threading.Thread(target=lambda: left.extend(instruments.stop()), daemon=True)
        stopping.start()
        assert until(lambda: not stopping.is_alive(), 30)
        assert [each.sent for each in left] == ["1.00"]
        book.gate.set()
        for each in queue:
            each.close()


def test_readings_for_which_memory_has_no_room_are_counted_and_said(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Row 34: a bounded queue, and never a loss in silence."""
    monkeypatch.setattr("capture.bench._MOST_KEPT", 5)
    with plugged() as port, bench(f"serial:{port.target},name=g,unit=mm") as (book, its):
        assert listening(book)
        book.gate.clear()
        port.send("".join(f"{number}.5\r\n" for number in range(8)).encode())
        assert until(lambda: "memory is full: 3 readings" in state_of(its, "g").message)
        assert state_of(its, "g").state == "trouble"
        assert until(lambda: book.said("trouble", "memory is full: 3 readings were not kept"))
        book.gate.set()
        assert until(lambda: len(book.readings) == 5)
        assert book.sent() == [f"{number}.5" for number in range(5)]


def test_names_come_from_the_port_and_stay_apart() -> None:
    with bench() as (_, instruments):
        assert (
            instruments.add(parse_spec("serial:/dev/nothing/usb-Shop_Gauge_7-if00"))
            == "Shop-Gauge-7"
        )
        assert (
            instruments.add(parse_spec("serial:/dev/nothing/usb-Shop_Gauge_7-if00"))
            == "Shop-Gauge-7-2"
        )
        other = parse_spec("serial:/dev/nothing/usb-Shop_Gauge_7-if00,bench=left")
        assert instruments.add(other) == "Shop-Gauge-7"
        assert len(instruments.states()) == 3
        instruments.remove("Shop-Gauge-7")
        assert [(each.bench, each.caliper) for each in instruments.states()] == [
            ("main", "Shop-Gauge-7-2"),
            ("left", "Shop-Gauge-7"),
        ]
        with pytest.raises(KeyError):
            instruments.remove("Shop-Gauge-7")


@pytest.mark.parametrize(
    ("spec", "name"),
    [
        ("serial:/dev/serial/by-id/usb-Shop_Gauge_0017-if00-port0", "Shop-Gauge-0017"),
        ("serial:/dev/ttyUSB0", "ttyUSB0"),
        ("serial:COM7", "COM7"),
        ("serial:socket://127.0.0.1:5001", "127.0.0.1-5001"),
        ("serial:spy:///dev/ttyUSB0?file=/tmp/log", "ttyUSB0"),
        ("keys:/dev/input/by-id/usb-Shop_Typing_Gauge-event-kbd", "Shop-Typing-Gauge"),
        ("hid:1209:0001", "hid-1209-0001"),
        ("stdin:", "stdin"),
    ],
)
def test_a_default_name_is_one_a_person_can_say(spec: str, name: str) -> None:
    assert default_name(parse_spec(spec)) == name


def test_a_removed_caliper_is_let_go() -> None:
    with plugged() as port, bench(f"serial:{port.target},name=g") as (book, instruments):
        assert listening(book)
        instruments.remove("g")
        assert until(lambda: book.said("stopped"))
        assert instruments.states() == ()
        serial.Serial(port.target, exclusive=True).close()


def test_a_state_that_could_not_be_told_is_told_again() -> None:
    book = Notebook()
    attempts = itertools.count()

    def report(state: CaliperState) -> None:
        if next(attempts) < 3:
            raise OSError("the store is busy")
        book.states.append(state)

    with plugged() as port:
        instruments = Instruments(book.keep, book.refuse, report)
        instruments.start([parse_spec(f"serial:{port.target},unit=mm")])
        assert until(lambda: instruments.states()[0].state == "listening")
        port.send(b"1.00\r\n")
        assert until(lambda: book.readings)
        assert listening(book)
        instruments.stop()
        assert book.states[-1].state == "stopped"


def test_a_report_that_hangs_holds_up_no_port() -> None:
    book, gate = Notebook(), threading.Event()
    with plugged() as port:
        instruments = Instruments(book.keep, book.refuse, lambda _: gate.wait() and None)
        instruments.start([parse_spec(f"serial:{port.target},unit=mm")])
        assert until(lambda: instruments.states()[0].state == "listening")
        port.send(b"1.00\r\n")
        assert until(lambda: book.readings)
        gate.set()
        instruments.stop()


def test_who_is_told_of_a_state_may_ask_for_all_states() -> None:
    asked: list[int] = []
    everyone: list[Instruments] = []

    def report(_state: CaliperState) -> None:
        if everyone:
            asked.append(len(everyone[0].states()))

    book = Notebook()
    with plugged() as one, plugged() as two:
        instruments = Instruments(book.keep, book.refuse, report)
        everyone.append(instruments)
        instruments.start(parse_spec(f"serial:{each.target},unit=mm") for each in (one, two))
        assert until(lambda: all(each.state == "listening" for each in instruments.states()))
        one.unplug()
        two.unplug()
        assert until(lambda: all(each.state == "unplugged" for each in instruments.states()))
        instruments.stop()
    assert max(asked) == 2


def test_a_stream_that_falls_silent_is_shown_to_be() -> None:
    """Row 23: a sleeping unit."""
    with (
        plugged() as port,
        bench(f"serial:{port.target},name=g,unit=mm,mode=stream") as (book, its),
    ):
        assert listening(book)
        assert until(lambda: state_of(its, "g").state == "quiet")
        assert "asleep" in state_of(its, "g").message
        port.send(b"1.00\r\n")
        assert until(lambda: state_of(its, "g").state == "listening")


def test_a_pretend_bench_is_heard_like_any_other() -> None:
    pretend = PretendBench(seed=5)
    try:
        with bench(str(pretend.spec)) as (book, _):
            sent = [
                pretend.press(METHODS["reversal"], place, trial).decode().strip()
                for trial in (1, 2)
                for place in (0, 1)
            ]
            assert until(lambda: len(book.readings) == 4)
            assert book.sent() == sent
    finally:
        pretend.close()


def test_a_hundred_and_fifty_instruments_lose_nothing() -> None:
    """All at once, each line to its own caliper, in order."""
    count, lines = 150, 5
    ports = [PtyPort() for _ in range(count)]
    specs = [f"serial:{port.target},name=g{number},unit=mm" for number, port in enumerate(ports)]
    before = set(os.listdir("/proc/self/fd")) if os.path.isdir("/proc/self/fd") else set()
    try:
        with bench(*specs) as (book, _):
            assert listening(book, count)
            for line in range(lines):
                for number, port in enumerate(ports):
                    port.send(f"{number}.{line}\r\n".encode())
            assert until(lambda: len(book.readings) == count * lines, 30)
            for number in range(count):
                assert book.sent(f"g{number}") == [f"{number}.{line}" for line in range(lines)]
    finally:
        for port in ports:
            port.close()
    if before:
        assert len(os.listdir("/proc/self/fd")) <= len(before)
