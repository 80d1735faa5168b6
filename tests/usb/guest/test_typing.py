"""Calipers that type, on real USB: heard by all three ways, and by nobody else."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable

import hid
import hidraw
import pytest

from tests.capture.notebook import Notebook, bench, state_of
from tests.usb.guest.hand import Hand
from tests.usb.guest.person import CALIPER, DESK, PATIENCE_S, soon, window
from tests.whole.commands import line_with, running


def _path(module: object, number: str) -> str:
    found: list[dict[str, object]] = module.enumerate()  # type: ignore[attr-defined]
    (path,) = (each["path"] for each in found if each["serial_number"] == number)
    assert isinstance(path, bytes)
    return path.decode()


def by_libusb(number: str = "CAL1") -> str:
    return f"hid:{_path(hid, number)}"


def by_hidraw(number: str = "CAL1") -> str:
    return f"hid:{_path(hidraw, number)}"


def by_input(number: str = "CAL1") -> str:
    return f"keys:{CALIPER if number == 'CAL1' else DESK}"


every_way = pytest.mark.parametrize("way", [by_libusb, by_hidraw, by_input])


def _heard(book: Notebook, count: int) -> bool:
    return soon(lambda: len(book.readings) >= count)


def test_a_caliper_taken_by_libusb_types_nowhere_else(hand: Hand) -> None:
    with window(DESK) as desk:
        with bench(f"{by_libusb()},name=c,unit=mm") as (book, its):
            assert soon(lambda: state_of(its, "c").state == "listening")
            assert state_of(its, "c").message == ""
            # The system itself has lost it: there is nothing that a window could read.
            assert soon(lambda: not CALIPER.exists())
            hand.type("caliper", "12.34\n")
            assert _heard(book, 1)
            assert not desk.hears()
            hand.type("desk", "7\n")
            assert soon(desk.hears)
            hand.type("caliper", "0.5\n")
            assert _heard(book, 2)
            assert book.sent() == ["12.34", "0.5"]
        assert soon(CALIPER.exists)
        with window(CALIPER) as focused:
            hand.type("caliper", "1\n")
            assert soon(focused.hears)


def test_a_caliper_heard_by_hidraw_says_that_it_types_elsewhere_too(hand: Hand) -> None:
    with window(CALIPER) as focused, bench(f"{by_hidraw()},name=c,unit=mm") as (book, its):
        assert soon(lambda: state_of(its, "c").state == "listening")
        hand.type("caliper", "12.34\n")
        assert _heard(book, 1)
        assert soon(focused.hears)
        assert book.sent() == ["12.34"]
        assert "window has the focus" in state_of(its, "c").message


def test_a_grabbed_caliper_types_nowhere_else(hand: Hand) -> None:
    with window(CALIPER) as focused, window(DESK) as desk:
        with bench(f"{by_input()},name=c,unit=mm") as (book, its):
            assert soon(lambda: state_of(its, "c").state == "listening")
            hand.type("caliper", "12.34\n")
            assert _heard(book, 1)
            assert not focused.hears()
            hand.type("desk", "7\n")
            assert soon(desk.hears)
            hand.type("caliper", "0.5\n")
            assert _heard(book, 2)
            assert not focused.hears()
            assert book.sent() == ["12.34", "0.5"]
        hand.type("caliper", "1\n")
        assert soon(focused.hears)


@every_way
def test_two_alike_calipers_are_told_apart(hand: Hand, way: Callable[[str], str]) -> None:
    specs = (f"{way('CAL1')},name=left,unit=mm", f"{way('DESK1')},name=right,unit=mm")
    with bench(*specs) as (book, its):
        assert soon(lambda: all(each.state == "listening" for each in its.states()))
        hand.type("desk", "2\n")
        assert _heard(book, 1)
        hand.type("caliper", "1\n")
        assert _heard(book, 2)
        assert (book.sent("left"), book.sent("right")) == (["1"], ["2"])


def test_of_two_alike_none_is_guessed(hand: Hand) -> None:
    """It might be the keyboard that somebody works with; without it, the name is enough."""
    with bench("hid:0627:0001,name=c,unit=mm") as (book, its):
        assert soon(lambda: state_of(its, "c").state == "trouble")
        assert by_libusb("CAL1") in state_of(its, "c").message
        assert by_libusb("DESK1") in state_of(its, "c").message
        assert CALIPER.exists()
        assert DESK.exists()
        hand.unplug("desk")
        assert soon(lambda: state_of(its, "c").state == "listening")
        hand.type("caliper", "12.34\n")
        assert _heard(book, 1)
    hand.plug("desk")
    assert book.sent() == ["12.34"]


@every_way
def test_pulled_out_with_a_key_down_it_gives_no_reading_and_comes_back(
    hand: Hand, way: Callable[[], str]
) -> None:
    with bench(f"{way()},name=c,unit=mm") as (book, its):
        assert soon(lambda: state_of(its, "c").state == "listening")
        hand.type("caliper", "12.3")
        hand.press("caliper", "9")
        assert soon(lambda: state_of(its, "c").last_heard is not None)
        hand.unplug("caliper")
        assert soon(lambda: state_of(its, "c").state == "unplugged")
        assert soon(lambda: book.refusals)
        assert book.readings == []
        hand.plug("caliper")
        assert soon(lambda: state_of(its, "c").state == "listening")
        hand.type("caliper", "1.5\n")
        assert _heard(book, 1)
        assert book.sent() == ["1.5"]
        assert len(book.refusals) == 1


def test_keys_lost_by_the_kernel_spoil_their_line_and_no_other(hand: Hand) -> None:
    """More keys than it keeps for a reader come while the program is held up."""
    with running("listen", f"{by_input()},name=c,unit=mm") as listen:
        line_with(listen, "c  listening")
        os.kill(listen.pid, signal.SIGSTOP)
        hand.type("caliper", "12345678901234567890123456.78\n", pause_ms=20)
        os.kill(listen.pid, signal.SIGCONT)
        assert "some were lost" in line_with(listen, "c  ")
        hand.type("caliper", "2.50\n")
        assert "2.5 mm" in line_with(listen, "c  ")


def test_killed_outright_the_grabbed_caliper_types_again(hand: Hand) -> None:
    with window(CALIPER) as focused:
        with running("listen", f"{by_input()},name=c,unit=mm") as listen:
            line_with(listen, "c  listening")
            hand.type("caliper", "12.34\n")
            line_with(listen, "12.34 mm")
            assert not focused.hears()
            listen.kill()
            assert listen.wait(PATIENCE_S) == -signal.SIGKILL
        hand.type("caliper", "5\n")
        assert soon(focused.hears)


def test_killed_outright_with_the_device_from_libusb_a_new_start_hears_it(hand: Hand) -> None:
    """It types again once it is plugged in anew: only closing gives the driver back."""
    spec = f"{by_libusb()},name=c,unit=mm"
    with running("listen", spec) as listen:
        line_with(listen, "c  listening")
        listen.kill()
        assert listen.wait(PATIENCE_S) == -signal.SIGKILL
    with bench(spec) as (book, its):
        assert soon(lambda: state_of(its, "c").state == "listening")
        hand.type("caliper", "12.34\n")
        assert _heard(book, 1)
    hand.unplug("caliper")
    hand.plug("caliper")
    assert soon(CALIPER.exists)
    with window(CALIPER) as focused:
        hand.type("caliper", "5\n")
        assert soon(focused.hears)


@every_way
def test_a_polite_end_gives_the_caliper_back(hand: Hand, way: Callable[[], str]) -> None:
    with running("listen", f"{way()},name=c,unit=mm") as listen:
        line_with(listen, "c  listening")
        listen.send_signal(signal.SIGTERM)
        assert listen.wait(PATIENCE_S) == 0
    assert soon(CALIPER.exists)
    with window(CALIPER) as focused:
        hand.type("caliper", "5\n")
        assert soon(focused.hears)
