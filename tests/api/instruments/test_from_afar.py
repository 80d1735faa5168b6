"""What a request may have this computer open, and one from another computer."""

from __future__ import annotations

import sys

import pytest

from api.instruments import from_afar
from api.instruments.from_afar import (
    NotFromAfar,
    check_by_request,
    check_from_afar,
    check_search_from_afar,
)
from api.instruments.listening import ListenError
from capture.finding import Found
from capture.spec import parse_spec

PORT = "/dev/serial/by-id/usb-adapter"
LISTED = [
    Found("serial", "/dev/ttyUSB0", f"serial:{PORT}", "a USB serial adapter"),
    Found("serial", "/dev/ttyS0", "serial:/dev/ttyS0", "a port", "it is this system's console"),
    Found("keys", "/dev/input/event4", "keys:/dev/input/event4", "a keyboard"),
    Found("hid", "/dev/hidraw0", "hid:1209:0001", "an HID device"),
    Found("usb", "1209:0002", "", "a USB device"),
]


@pytest.mark.parametrize("target", ["/dev/ttyACM0", "socket://10.0.0.7:4000", "rfc2217://a:1"])
def test_a_device_or_a_port_in_the_network_may_be_asked_for(target):
    spec = parse_spec(f"serial:{target}")
    assert check_by_request(spec) is spec


@pytest.mark.parametrize("target", ["spy:///dev/ttyACM0?file=/tmp/x", "loop://", "alt://x"])
def test_what_does_more_than_name_a_port_may_not_be_asked_for(target):
    with pytest.raises(ListenError, match=f"{target.partition(':')[0]}:// can only be named when"):
        check_by_request(parse_spec(f"serial:{target}"))


@pytest.mark.parametrize("more", ["", ",name=six, inch,bench=north,unit=in,baud=4800,mode=stream"])
def test_what_is_listed_may_be_asked_for_from_afar_in_its_words(more):
    check_from_afar(parse_spec(f"serial:{PORT}{more.replace('six, inch', 'six,, inch')}"), LISTED)


@pytest.mark.parametrize(
    ("spec", "why"),
    [
        ("serial:socket://192.0.2.7:5001", "an address of a network"),
        ("serial:rfc2217://192.0.2.7:5001?logging=debug", "an address of a network"),
        ("serial:spy:///dev/ttyUSB0?file=/tmp/x", "an address of a network"),
        ("serial:/dev/watchdog", "not in the list"),
        ("serial:/dev/ttyUSB0", "not in the list"),  # listed by a lasting name
        (f"serial:{PORT}/../usb-adapter", "not in the list"),
        ("serial:ttyS0", "not in the list"),
        ("serial:/dev/ttyS0", "not ready: it is this system's console"),
        (f"serial:{PORT},mode=ask,request=x", "request= sends something"),
        ("keys:/dev/input/event4", "types"),
        ("hid:1209:0002", "not in the list"),
        ("hid:/dev/hidraw0", "not in the list"),
        ("stdin:", "not in the list"),
    ],
)
def test_nothing_else_may_be_asked_for_from_afar(spec, why):
    with pytest.raises(NotFromAfar, match=why) as told:
        check_from_afar(parse_spec(spec), LISTED)
    assert "not ready" in why or "--allow-network-calipers" in str(told.value)


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere nothing is taken from the system")
def test_the_last_keyboard_is_not_taken_from_afar(monkeypatch):
    asked = parse_spec("hid:1209:0001")
    monkeypatch.setattr(from_afar, "why_not_taken", lambda found: f"{found[0].device} stays")
    with pytest.raises(NotFromAfar, match="/dev/hidraw0 stays"):
        check_from_afar(asked, LISTED)
    monkeypatch.setattr(from_afar, "why_not_taken", lambda _found: "")
    check_from_afar(asked, LISTED)


def test_a_search_from_afar_opens_what_is_listed_and_takes_no_keyboard():
    check_search_from_afar([], [])
    for also, listen_to in (([parse_spec("serial:/dev/x")], []), ([], ["/dev/input/event4"])):
        with pytest.raises(NotFromAfar, match="--allow-network-calipers"):
            check_search_from_afar(also, listen_to)
