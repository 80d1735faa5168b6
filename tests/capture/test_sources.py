"""Each description of an instrument gets the source that can read it."""

from __future__ import annotations

import pytest

from capture.sources import Askable, HasNotice, source_for
from capture.sources.hid import HidDevice
from capture.sources.keyboard import Keyboard
from capture.sources.serial_port import SerialPort
from capture.sources.standard_input import StandardInput
from capture.spec import parse_spec


@pytest.mark.parametrize(
    ("spec", "kind", "target"),
    [
        ("serial:/dev/ttyUSB0", SerialPort, "/dev/ttyUSB0"),
        ("serial:socket://127.0.0.1:5001", SerialPort, "socket://127.0.0.1:5001"),
        ("hid:1209:0001", HidDevice, "1209:0001"),
        ("hid:/dev/hidraw3", HidDevice, "/dev/hidraw3"),
        ("keys:/dev/input/event3", Keyboard, "/dev/input/event3"),
        ("stdin:", StandardInput, "standard input"),
    ],
)
def test_a_source_is_of_the_kind_that_its_description_names(spec, kind, target):
    source = source_for(parse_spec(spec))
    assert type(source) is kind
    assert source.target == target


def test_requests_can_be_sent_through_ports_alone():
    specs = ("serial:/dev/ttyUSB0", "hid:1209:0001", "keys:/dev/input/event3", "stdin:")
    sources = [source_for(parse_spec(spec)) for spec in specs]
    assert [isinstance(each, Askable) for each in sources] == [True, False, False, False]
    assert [isinstance(each, HasNotice) for each in sources] == [False, True, False, False]
