"""Instruments on real ports: what becomes of a press, their names, and how their state is told."""

from __future__ import annotations

import itertools
import os
import threading
import time
from datetime import UTC, datetime, timedelta

import pytest
import serial

from analysis.methods import METHODS
from capture.bench import Instruments, default_name
from capture.pretend import PretendBench, PtyPort
from capture.records import CaliperState
from capture.spec import parse_spec
from tests.capture.notebook import Notebook, bench, listening
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


def test_order_and_gaps_survive_a_clock_that_steps_back() -> None:
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
