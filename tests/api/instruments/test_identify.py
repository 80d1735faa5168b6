"""A search that ends by itself, and sees what is plugged in while it listens."""

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
def searching(ports: Callable[[], list[Found]], **options: Any) -> Iterator[Identifying]:
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
    with searching(lambda: [found(port)], alone=20) as search:
        search.start()
        assert until(lambda: not free(port))
        clock.now = 20
        assert until(lambda: free(port))
        progress = search.progress()
        assert progress.stage == "given up"
        assert progress.message == "the page that asked was closed"


def test_it_is_kept_going_until_its_time_is_over(port, clock):
    with searching(lambda: [found(port)], alone=20, longest=300) as search:
        search.start()

        def over() -> bool:
            clock.now += 10
            return search.keep().stage != "listening"

        assert until(over)
        assert clock.now >= 300
        assert search.progress().message == "nothing matched within 5 minutes"
        assert until(lambda: free(port))


def test_looking_on_does_not_keep_ports_open(port, clock):
    with searching(lambda: [found(port)], alone=20) as search:
        search.start()
        clock.now = 19
        assert search.progress().stage == "listening"
        clock.now = 20
        assert until(lambda: search.progress().stage == "given up")
        assert search.progress().message == "the page that asked was closed"


def test_a_caliper_plugged_in_after_the_button_was_tapped_is_heard_too(port):
    there: list[Found] = []
    with searching(lambda: list(there)) as search:
        assert search.start().ports == ()
        search.shown("12.34 mm")
        there.append(found(port))
        assert until(lambda: any("listening" in p.words for p in search.progress().ports))
        port.send(b"12.34\r\n")
        assert until(lambda: search.progress().stage == "identified")
        caliper = search.progress().found
        assert caliper is not None
        assert caliper.spec is not None
        assert caliper.spec.target == port.target


def test_a_port_that_lacks_something_is_not_opened_and_says_what(port):
    lacking = Found("serial", port.target, f"serial:{port.target}", "", "you may not open it")
    with searching(lambda: [lacking]) as search:
        progress = search.start()
        assert progress.ports == ()
        assert [(each.device, each.why) for each in progress.left_out] == [
            (port.target, "you may not open it")
        ]
        assert free(port)


def test_a_port_is_left_alone_by_another_of_its_names(port, tmp_path):
    link = tmp_path / "usb-Shop_Gauge-if00"
    link.symlink_to(port.target)
    with searching(lambda: [found(port)]) as search:
        for name in (str(link), port.target, os.path.basename(port.target)):
            progress = search.start([name])
            assert progress.ports == ()
            assert [each.why for each in progress.left_out] == ["left alone, as you asked"]
            search.cancel()
        assert free(port)


def test_a_name_to_leave_alone_that_is_no_port_opens_nothing(port):
    with searching(lambda: [found(port)]) as search:
        with pytest.raises(UnknownPort, match=f"/dev/ttyUBS0 is no port.*{port.target}"):
            search.start(["/dev/ttyUBS0"])
        assert search.progress().stage == "none"
        assert free(port)


def test_a_port_to_be_left_alone_when_it_comes_is_left_alone(port):
    there: list[Found] = []
    with searching(lambda: list(there)) as search:
        search.start(leave_alone_later=[port.target])
        there.append(found(port))
        assert until(lambda: search.progress().left_out)
        assert search.progress().ports == ()


def test_what_is_shown_must_be_a_length_and_what_stood_before_stays(port):
    with searching(lambda: [found(port)]) as search:
        search.start()
        search.shown("12.34 mm")
        with pytest.raises(ValueError, match="plain decimal number"):
            search.shown("twelve mm")
        assert search.progress().shown == "12.34 mm"


def test_one_at_a_time_and_none_before_the_first(port):
    with searching(lambda: [found(port)]) as search:
        assert search.progress().stage == "none"
        with pytest.raises(NoneUnderWay):
            search.shown("1 mm")
        with pytest.raises(NoneUnderWay):
            search.keys([Stroke("1", "Digit1", False, 0.0)])
        search.start()
        with pytest.raises(OneUnderWay):
            search.start()
        search.cancel()
        search.start()
        assert search.progress().stage == "listening"


def test_what_types_is_heard_only_by_name_and_never_the_last_keyboard():
    mouse = Found("hid", "/dev/hidraw9", "hid:1209:fffe", "no keyboard")
    with searching(list, typing=lambda: [mouse]) as search:
        with pytest.raises(UnknownPort, match="hidraw8 is no port here") as unknown:
            search.start(listen_to=["hidraw8"])
        assert unknown.value.field == "listen_to"
        with pytest.raises(UnknownPort, match="not a device that types"):
            search.start(listen_to=["hidraw9"])
        assert search.start().ports == ()
