"""Finding a caliper by pressing it, on pseudo-terminals that know their speed."""

from __future__ import annotations

import contextlib
import itertools
import os
import queue
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
import serial

from capture.finding import Found
from capture.identify import Identified, PortSearch, parse_shown
from capture.pretend import PtyPort
from tests.ptys import plugged, until


def found(port: PtyPort) -> Found:
    return Found("serial", port.target, f"serial:{port.target}", "a gauge")


@contextmanager
def searching(*ports: PtyPort, **options: object) -> Iterator[PortSearch]:
    search = PortSearch([found(each) for each in ports], patience=0.5, **options)  # type: ignore[arg-type]
    search.start()
    try:
        assert until(lambda: all("not opened" not in each.words for each in search.heard()))
        yield search
    finally:
        search.stop()
        for each in ports:
            each.close()


def press_until_identified(search: PortSearch, press: Callable[[], None]) -> Identified:
    """As a person does: press, look at what was heard, press again."""
    found: list[Identified] = []

    def pressed() -> bool:
        press()
        found.extend(filter(None, [search.wait(0.3)]))
        return bool(found)

    assert until(pressed, 30), search.heard()
    return found[0]


@pytest.mark.parametrize("baud", [9600, 115200, 19200, 1200])
def test_port_and_speed_are_found_by_pressing(baud: int) -> None:
    silent, port = PtyPort(), PtyPort(baud=baud)
    with searching(silent, port) as search:
        search.shown("12.34 mm")
        identified = press_until_identified(search, lambda: port.send(b"12.34\r\n"))
        assert (identified.spec.target, identified.spec.baud) == (port.target, baud)
        assert (identified.spec.unit, identified.sent) == ("mm", "12.34")
        assert "decimal point" in identified.sentence


def test_the_value_may_be_typed_after_the_press() -> None:
    port = PtyPort(baud=9600)
    with searching(port) as search:
        port.send(b"0,486\r")
        assert until(lambda: "0,486" in search.heard()[0].words)
        assert search.wait(0) is None
        search.shown("0.486 in")
        identified = search.wait(30)
        assert identified is not None
        assert identified.spec.unit == "in"
        assert "decimal comma" in identified.sentence


def test_seven_bits_and_parity_are_recognised() -> None:
    def even(byte: int) -> int:
        return byte | (byte.bit_count() % 2) << 7

    port = PtyPort()
    with searching(port) as search:
        search.shown("-12.34 mm")
        port.send(bytes(even(byte) for byte in b"-12.34\r\n"))
        identified = search.wait(30)
        assert identified is not None
        assert (identified.spec.bytesize, identified.spec.parity) == (7, "even")


@pytest.mark.parametrize(
    ("line", "shown"),
    [
        (b"\x02+12.34\x03\r\n", "12.34 mm"),
        (b"\x02+12.34\x03", "12.34 mm"),
        (b"\x0012.34\x00\r", "12.34 mm"),
        ("\u221212.34\r\n".encode(), "-12.34 mm"),
        ("0.486\u2033\r\n".encode(), "0.486 in"),
    ],
)
def test_whatever_the_bench_would_read_is_found_too(line: bytes, shown: str) -> None:
    port = PtyPort()
    with searching(port) as search:
        search.shown(shown)
        port.send(line)
        identified = search.wait(30)
        assert identified is not None, search.heard()
        assert identified.spec.baud == 9600


def test_a_number_within_noise_keeps_no_port_at_the_wrong_speed() -> None:
    port = PtyPort()
    with searching(port) as search:
        search.shown("5 mm")
        port.send(b"\xf8\x80\xfe\r5\r\xfe\x80\r")
        assert until(lambda: "heard noise at 9600" in search.heard()[0].words)
        assert search.wait(0) is None


def test_a_unit_in_the_line_is_believed_and_another_number_is_not() -> None:
    port = PtyPort()
    with searching(port) as search:
        search.shown("25.4 mm")
        port.send(b"13.00 mm\r\n")
        assert until(lambda: "13.00" in search.heard()[0].words)
        assert search.wait(0) is None
        port.send(b"1.0000 in\r\n")
        identified = search.wait(30)
        assert identified is not None
        assert identified.spec.unit is None
        assert "names its unit" in identified.sentence


def test_a_port_told_to_be_left_alone_is_never_opened() -> None:
    alone, port = PtyPort(), PtyPort()
    with searching(alone, port, leave_alone=[alone.target]) as search:
        assert [each.device for each in search.heard()] == [port.target]
        # No other program has it open, or an exclusive open would fail.
        serial.Serial(alone.target, exclusive=True).close()
        with pytest.raises(serial.SerialException):
            serial.Serial(port.target, exclusive=True)
    # And all are released at the end.
    threads = [each.name for each in threading.enumerate()]
    assert not [name for name in threads if name.startswith("identify ")]


def test_a_port_is_left_alone_by_whatever_name_it_is_called(tmp_path: Path) -> None:
    link = tmp_path / "usb-Shop_Gauge-if00"
    with plugged(link), plugged() as other:
        real = os.path.realpath(link)
        names = [str(link), real, f"serial:{link}", link.name, f"/dev/../{real}"]
        for name, device in itertools.product(names, (str(link), real)):
            candidates = [Found("serial", device, f"serial:{link}", ""), found(other)]
            search = PortSearch(candidates, leave_alone=[name])
            assert [each.device for each in search.heard()] == [other.target], (name, device)


def test_ttyusb0_needs_no_folder() -> None:
    candidates = [
        Found("serial", f"/dev/nothing/ttyUSB{number}", f"serial:/dev/nothing/by-id/{number}", "")
        for number in (0, 1)
    ]
    search = PortSearch(candidates, leave_alone=["ttyUSB0"])
    assert [each.device for each in search.heard()] == ["/dev/nothing/ttyUSB1"]


@pytest.mark.parametrize("typo", ["/dev/ttyUBS0", "ttyUSB", "", "USB0"])
def test_a_name_to_leave_alone_that_is_no_port_stops_everything(typo: str) -> None:
    candidates = [Found("serial", "/dev/nothing/ttyUSB0", "serial:/dev/nothing/ttyUSB0", "")]
    with pytest.raises(ValueError, match="is no port here, so nothing was opened"):
        PortSearch(candidates, leave_alone=[typo])


def test_a_port_that_cannot_be_opened_says_why_and_the_others_go_on() -> None:
    taken, port = PtyPort(), PtyPort()
    with serial.Serial(taken.target, exclusive=True), searching(taken, port) as search:
        assert "another program" in search.heard()[0].words
        search.shown("1.5 in")
        port.send(b"1.5\r\n")
        identified = search.wait(30)
        assert identified is not None
        assert identified.spec.target == port.target


def test_what_cannot_be_heard_is_not_opened() -> None:
    port = PtyPort()
    search = PortSearch([replace(found(port), missing="it is this system's console")])
    assert search.heard() == ()
    port.close()


def test_what_is_typed_needs_number_and_unit() -> None:
    assert parse_shown(" -12,34 mm") == (Decimal("-12.34"), "mm")
    assert parse_shown("0.5 inch") == (Decimal("0.5"), "in")
    for text in ("12.34", "mm", "", "twelve mm", "12.34 cm"):
        with pytest.raises(ValueError, match=r"number|unit"):
            parse_shown(text)


class Typing:
    """What a device that types sends: key reports, where no kernel makes one."""

    def __init__(self) -> None:
        self.target, self.opened, self.closed = "1209:0002", threading.Event(), threading.Event()
        self.reports: queue.Queue[bytes] = queue.Queue()

    def open(self) -> None:
        self.opened.set()

    def read(self, wait: float | None) -> bytes:
        with contextlib.suppress(queue.Empty):
            return self.reports.get(timeout=wait)
        return b""

    def wake(self) -> None: ...

    def close(self) -> None:
        self.closed.set()

    def type(self, keys: list[tuple[int, int]]) -> None:
        for modifiers, usage in keys:
            self.reports.put(bytes([modifiers, 0, usage, 0, 0, 0, 0, 0]))
            self.reports.put(bytes(8))


GAUGE = Found("hid", "/dev/hidraw1", "hid:1209:0002", "a typing gauge")
# 12,34 and Enter on a caliper set to French, where digits need Shift (usages of HID 1.11).
FRENCH = [(2, 0x1E), (2, 0x1F), (0, 0x10), (2, 0x20), (2, 0x21), (0, 0x28)]
US = [(0, 0x1E), (0, 0x1F), (0, 0x37), (0, 0x20), (0, 0x21), (0, 0x28)]


@pytest.mark.parametrize(("keys", "layout"), [(US, "us"), (FRENCH, "fr")])
def test_what_types_is_identified_with_its_layout_where_it_is_named(
    monkeypatch: pytest.MonkeyPatch, keys: list[tuple[int, int]], layout: str
) -> None:
    source = Typing()
    monkeypatch.setattr("capture.identify.source_for", lambda _spec: source)
    monkeypatch.setattr("capture.identify.why_not_taken", lambda _found: "")
    search = PortSearch([GAUGE], listen_to=["hidraw1"])
    search.start()
    try:
        assert source.opened.wait(30)
        search.shown("12.34 mm")
        source.type(keys)
        identified = search.wait(30)
        assert identified is not None, search.heard()
        assert (identified.spec.vid, identified.spec.pid, identified.spec.layout) == (
            0x1209,
            2,
            layout,
        )
        assert identified.spec.unit == "mm"
        assert f"1209:0002 sent {identified.sent!r}, 12.34 mm: typed, in the layout {layout}" in (
            identified.sentence
        )
    finally:
        search.stop()
    assert source.closed.is_set()


def test_what_types_is_not_taken_unless_it_is_named_and_may_be(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert PortSearch([GAUGE]).heard() == ()
    with pytest.raises(ValueError, match="hidraw9 is no port here"):
        PortSearch([GAUGE], listen_to=["hidraw9"])
    refusal = "no other keyboard would be left"
    monkeypatch.setattr(
        "capture.identify.why_not_taken", lambda found: refusal if list(found) else ""
    )
    with pytest.raises(ValueError, match=refusal):
        PortSearch([GAUGE], listen_to=["/dev/hidraw1"])
    # leave_alone has priority.
    assert PortSearch([GAUGE], ["hidraw1"], listen_to=["hidraw1"]).heard() == ()
