"""A serial caliper behind a real USB adapter: found, identified, pulled out, found again."""

from __future__ import annotations

import os
from pathlib import Path

from capture.finding import serial_instruments
from capture.identify import PortSearch
from tests.capture.notebook import bench, state_of
from tests.usb.guest.hand import Hand
from tests.usb.guest.person import ADAPTER, soon


def test_its_send_button_tells_its_port(hand: Hand) -> None:
    search = PortSearch(serial_instruments(), leave_alone=["/dev/ttyS0"])
    search.start()
    try:
        search.shown("12.34 mm")
        assert soon(lambda: any("press" in each.words for each in search.heard()))
        hand.send("+12.34\r\n")
        identified = search.wait(60)
    finally:
        search.stop()
    assert identified is not None
    assert (identified.spec.target, identified.spec.unit) == (str(ADAPTER), "mm")
    with bench(f"{identified.spec},name=c") as (book, its):
        assert soon(lambda: state_of(its, "c").state == "listening")
        hand.send("0.50\r\n")
        assert soon(lambda: book.sent() == ["0.50"])


def test_pulled_out_in_mid_line_it_gives_no_reading_and_comes_back(hand: Hand) -> None:
    (found,) = (each for each in serial_instruments() if each.spec == f"serial:{ADAPTER}")
    assert found.missing == ""
    with bench(f"{found.spec},name=c,unit=mm") as (book, its):
        assert soon(lambda: state_of(its, "c").state == "listening")
        hand.send("1.00\r\n12.")
        assert soon(lambda: book.sent() == ["1.00"])
        hand.unplug("adapter")
        assert soon(lambda: state_of(its, "c").state == "unplugged")
        hand.plug("adapter")
        assert soon(lambda: state_of(its, "c").state == "listening")
        hand.send("34\r\n")
        assert soon(lambda: book.sent() == ["1.00", "34"])
        assert [each.raw for each in book.refusals] in ([], ["12."])


def test_it_is_found_again_under_another_number(hand: Hand) -> None:
    """Somebody else still holds the old one; the name given was that of the device alone."""
    old = ADAPTER.resolve()
    other = os.open(old, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        with bench(f"serial:{old},name=c,unit=mm") as (book, its):
            assert soon(lambda: state_of(its, "c").state == "listening")
            hand.unplug("adapter")
            assert soon(lambda: state_of(its, "c").state == "unplugged")
            hand.plug("adapter")
            assert soon(lambda: state_of(its, "c").state == "listening")
            assert ADAPTER.resolve() != old
            assert not Path(old).exists()
            hand.send("12.34\r\n")
            assert soon(lambda: book.sent() == ["12.34"])
    finally:
        os.close(other)
