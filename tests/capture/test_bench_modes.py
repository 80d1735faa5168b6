"""Instruments on real ports that stream or are asked, and a stream that nobody expected."""

from __future__ import annotations

import itertools
import threading
from datetime import timedelta

import pytest

from capture.pretend import TcpPort
from tests.capture.notebook import bench, listening, state_of
from tests.ptys import plugged, unread, until


@pytest.mark.parametrize("step", [0, 1])
def test_a_stream_on_a_press_port_is_said_to_be_one(step: int) -> None:
    """Jaws that stand, and jaws that move."""
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
    """A program that presses a dozen times at an even pace, and no more."""
    pace = threading.Event()

    def kept_apart() -> bool:
        with plugged() as port, bench(f"serial:{port.target},name=g,unit=mm") as (book, _):
            assert listening(book)
            for number in range(12):
                port.send(f"{number}.5\r\n".encode())
                # The next one when this one was heard, however busy the machine is.
                assert until(lambda: not unread(port))
                pace.wait(0.03)
            assert until(lambda: len(book.readings) == 12)
            assert book.sent() == [f"{number}.5" for number in range(12)]
            # Handed on together, they would follow one another within no time. The time of day and
            # the clock for gaps are read one after the other, so those heard at once may differ.
            taken = [each.taken_at for each in book.readings]
            gaps = [each.since_previous_ms or 0 for each in book.readings[1:]]
            lasted = taken[-1] - taken[0] >= timedelta(seconds=0.25)
            return min(gaps) >= 5 and taken == sorted(taken) and lasted

    assert until(kept_apart)  # a busy machine may itself hear several at once


def test_jaws_that_keep_moving_are_said_to_and_the_words_go_when_they_stand() -> None:
    """`still moving` is shown, at most two changes a second."""
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


def test_jaws_that_stood_while_nothing_was_read_give_no_second_reading(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """On a computer that was suspended, or so busy that it did not run its programs."""
    passed = [0.0]
    monkeypatch.setattr("capture.instrument._elapsed", lambda: passed[0])
    with (
        plugged() as port,
        bench(f"serial:{port.target},name=g,unit=mm,mode=stream,settle=0.1") as (book, _),
    ):
        assert listening(book)

        def gives_another(width: str, count: int) -> bool:
            port.send(f"{width}\r\n".encode())
            return len(book.readings) > count

        assert until(lambda: gives_another("12.00", 0))
        passed[0] = 3600.0
        assert not until(lambda: gives_another("12.00", 1), 0.5)
        assert until(lambda: gives_another("15.00", 1))
        assert book.sent() == ["12.00", "15.00"]


def test_a_caliper_is_asked_and_answers() -> None:
    """No answer is shown, asked once more; a surplus answer is dropped."""
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


def test_a_stream_that_falls_silent_is_shown_to_be() -> None:
    """As a unit does that went to sleep."""
    with (
        plugged() as port,
        bench(f"serial:{port.target},name=g,unit=mm,mode=stream") as (book, its),
    ):
        assert listening(book)
        assert until(lambda: state_of(its, "g").state == "quiet")
        assert "asleep" in state_of(its, "g").message
        port.send(b"1.00\r\n")
        assert until(lambda: state_of(its, "g").state == "listening")
