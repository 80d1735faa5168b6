"""A pairing that ends by itself, and sees what is plugged in while it listens."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
import serial

from api.instruments.identify import Identifying, NoneUnderWay, OneUnderWay, UnknownPort
from capture.finding import Found
from capture.keys import Stroke
from capture.pretend import PtyPort
from tests.ptys import plugged, until


def found(port: PtyPort) -> Found:
    return Found("serial", port.target, f"serial:{port.target}", "a test port")


@contextmanager
def pairing(ports: Callable[[], list[Found]], **options: Any) -> Iterator[Identifying]:
    made = Identifying(ports, lambda: (), **options)
    try:
        yield made
    finally:
        made.close()


def free(port: PtyPort) -> bool:
    try:
        serial.Serial(port.target, exclusive=True).close()
    except serial.SerialException:
        return False
    return True


@pytest.fixture
def port() -> Iterator[PtyPort]:
    with plugged() as made:
        yield made


class Clock:
    """A clock that the test alone moves on."""

    now = 0.0

    def monotonic(self) -> float:
        return self.now


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    made = Clock()
    monkeypatch.setattr("api.instruments.identify.time", made)
    return made


def test_ports_are_released_when_the_page_that_asked_was_closed(port, clock):
    with pairing(lambda: [found(port)], alone=20) as pair:
        pair.start()
        assert until(lambda: not free(port))
        clock.now = 20
        assert until(lambda: free(port))
        progress = pair.progress()
        assert progress.stage == "given up"
        assert progress.message == "the page that asked was closed"


def test_asking_keeps_it_going_until_its_time_is_over(port, clock):
    with pairing(lambda: [found(port)], alone=20, longest=300) as pair:
        pair.start()

        def over() -> bool:
            clock.now += 10
            return pair.progress().stage != "listening"

        assert until(over)
        assert clock.now >= 300
        assert pair.progress().message == "nothing matched within 5 minutes"
        assert until(lambda: free(port))


def test_a_caliper_plugged_in_after_the_button_was_tapped_is_heard_too(port):
    there: list[Found] = []
    with pairing(lambda: list(there)) as pair:
        assert pair.start().ports == ()
        pair.shown("12.34 mm")
        there.append(found(port))
        assert until(lambda: any("listening" in p.words for p in pair.progress().ports))
        port.send(b"12.34\r\n")
        assert until(lambda: pair.progress().stage == "paired")
        caliper = pair.progress().found
        assert caliper is not None
        assert caliper.spec is not None
        assert caliper.spec.target == port.target


def test_a_port_that_lacks_something_is_not_opened_and_says_what(port):
    lacking = Found("serial", port.target, f"serial:{port.target}", "", "you may not open it")
    with pairing(lambda: [lacking]) as pair:
        progress = pair.start()
        assert progress.ports == ()
        assert [(each.device, each.why) for each in progress.left_out] == [
            (port.target, "you may not open it")
        ]
        assert free(port)


def test_a_port_is_left_alone_by_another_of_its_names(port, tmp_path):
    link = tmp_path / "usb-Shop_Gauge-if00"
    link.symlink_to(port.target)
    with pairing(lambda: [found(port)]) as pair:
        for name in (str(link), port.target, os.path.basename(port.target)):
            progress = pair.start([name])
            assert progress.ports == ()
            assert [each.why for each in progress.left_out] == ["left alone, as you asked"]
            pair.cancel()
        assert free(port)


def test_a_name_to_leave_alone_that_is_no_port_opens_nothing(port):
    with pairing(lambda: [found(port)]) as pair:
        with pytest.raises(UnknownPort, match=f"/dev/ttyUBS0 is no port.*{port.target}"):
            pair.start(["/dev/ttyUBS0"])
        assert pair.progress().stage == "none"
        assert free(port)


def test_a_port_to_be_left_alone_when_it_comes_is_left_alone(port):
    there: list[Found] = []
    with pairing(lambda: list(there)) as pair:
        pair.start(leave_alone_later=[port.target])
        there.append(found(port))
        assert until(lambda: pair.progress().left_out)
        assert pair.progress().ports == ()


def test_what_is_shown_must_be_a_length_and_what_stood_before_stays(port):
    with pairing(lambda: [found(port)]) as pair:
        pair.start()
        pair.shown("12.34 mm")
        with pytest.raises(ValueError, match="plain decimal number"):
            pair.shown("twelve mm")
        assert pair.progress().shown == "12.34 mm"


def test_one_at_a_time_and_none_before_the_first(port):
    with pairing(lambda: [found(port)]) as pair:
        assert pair.progress().stage == "none"
        with pytest.raises(NoneUnderWay):
            pair.shown("1 mm")
        with pytest.raises(NoneUnderWay):
            pair.keys([Stroke("1", "Digit1", False, 0.0)])
        pair.start()
        with pytest.raises(OneUnderWay):
            pair.start()
        pair.cancel()
        pair.start()
        assert pair.progress().stage == "listening"


def test_what_types_is_heard_only_by_name_and_never_the_last_keyboard():
    mouse = Found("hid", "/dev/hidraw9", "hid:1209:fffe", "no keyboard")
    with pairing(list, typing=lambda: [mouse]) as pair:
        with pytest.raises(UnknownPort, match="hidraw8 is no port here") as unknown:
            pair.start(listen_to=["hidraw8"])
        assert unknown.value.field == "listen_to"
        with pytest.raises(UnknownPort, match="nothing that types"):
            pair.start(listen_to=["hidraw9"])
        assert pair.start().ports == ()
