"""Instruments on real ports while the store is slow, full or away, and when they are stopped."""

from __future__ import annotations

import re
import socket
import threading
import time
from typing import Any

import pytest
import serial

from capture.bench import Instruments
from capture.records import Reading
from capture.spec import parse_spec
from capture.store_queue import StoreQueue
from tests.capture.notebook import Notebook, bench, listening, state_of
from tests.ptys import PATIENCE_S, plugged, until


def test_a_mad_instrument_keeps_no_other_from_being_heard_and_floods_nothing() -> None:
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
    """Nothing is lost, the fault is said aloud, and clears by itself."""
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
        waiting = instruments._store_queue._queues

        def queued(count: int) -> bool:
            return until(lambda: sum(len(q) for q in list(waiting.values())) == count)

        # A terminal hands on a longer text in pieces, on a busy machine with silence between them.
        for first in range(0, 700, 20):
            mad.send(b"".join(b"%d.25\r\n" % n for n in range(first, first + 20)))
            assert queued(first + 20)
        for number in range(5):
            calm.send(b"1%d.50\r\n" % number)
        assert queued(705)
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
        waiting = instruments._store_queue._queues
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
        waiting = instruments._store_queue._queues
        assert until(lambda: sum(len(q) for q in list(waiting.values())) == 300)
        slow = threading.Event()
        keep = instruments._store_queue._keep

        def slowly(reading: Reading) -> None:
            slow.wait(0.01)  # a store as slow as that needs three seconds for all
            keep(reading)

        instruments._store_queue._keep = slowly
        book.gate.set()
        assert instruments.stop() == ()
        assert len(book.readings) == 300


def test_a_slow_store_holds_up_no_port() -> None:
    """The port is read on while the store hangs."""
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


def test_a_reading_in_the_hand_of_a_thread_that_is_held_up_is_not_lost_at_the_end(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("capture.bench._STOP_S", 0.05)
    heard, go_on = threading.Event(), threading.Event()
    put = StoreQueue.put

    def held_up(*given: Any) -> bool:
        heard.set()
        go_on.wait()
        return put(*given)

    monkeypatch.setattr(StoreQueue, "put", held_up)
    with plugged() as port, bench(f"serial:{port.target},name=g,unit=mm") as (book, its):
        assert listening(book)
        port.send(b"12.34\r\n")
        assert heard.wait(PATIENCE_S)
        # Much longer than what stopping waits for a thread that may hang for good.
        later = threading.Timer(0.5, go_on.set)
        later.start()
        left = its.stop()
        later.join()
        assert [*book.sent(), *(each.sent for each in left)] == ["12.34"]


def test_stopping_ends_whatever_hangs() -> None:
    """An address that swallows connections, a store that hangs."""
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
    """A bounded queue, and never a loss in silence."""
    monkeypatch.setattr("capture.store_queue._LONGEST_QUEUE", 5)
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
