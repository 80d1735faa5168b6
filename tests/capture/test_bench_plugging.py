"""Instruments on real ports that are unplugged, alike, absent or taken."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
import serial
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

from capture.pretend import PtyPort
from tests.capture.notebook import bench, listening, state_of
from tests.ptys import plugged, until


def test_a_half_line_at_an_unplug_is_no_reading_and_the_next_whole_one_is(tmp_path: Path) -> None:
    """The unplug is seen, and the caliper is found again under another number."""
    with (
        plugged(tmp_path / "gauge") as port,
        bench(f"serial:{port.target},name=g,unit=mm") as (book, instruments),
    ):
        assert listening(book)
        port.send(b"1.00\r\n12.3")
        assert until(lambda: book.readings)
        was = os.path.realpath(port.target)
        port.unplug()
        assert until(lambda: book.said("unplugged", "plug it in again"))
        assert state_of(instruments, "g").state == "unplugged"
        with plugged():  # Takes the old number.
            port.plug()
            assert os.path.realpath(port.target) != was
            assert until(lambda: state_of(instruments, "g").state == "listening")
            port.send(b"2.00\r\n")
            assert until(lambda: len(book.readings) == 2)
        assert book.sent() == ["1.00", "2.00"]
        assert [each.raw for each in book.refusals] == ["12.3"]
        assert "half a line" in book.refusals[0].reason


def usb_port(port: PtyPort, location: str) -> ListPortInfo:
    """What the system would say of `port`, were it an adapter without a serial number."""
    info = ListPortInfo(os.path.realpath(port.target))
    info.vid, info.pid, info.location = 0x1209, 0x0001, location
    return info


def test_twins_that_share_a_name_are_never_guessed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Named by their by-id link, opened and after a replug."""
    there: list[ListPortInfo] = []
    monkeypatch.setattr(list_ports, "comports", lambda: list(there))
    name = tmp_path / "by-id/usb-Workbench_Gauge-if00-port0"
    name.parent.mkdir()
    with plugged(name) as mine, plugged() as twin:
        there[:] = [usb_port(mine, "1-2"), usb_port(twin, "1-3")]
        with bench(f"serial:{name},name=g,unit=mm") as (book, its):
            assert until(lambda: book.said("trouble", "2 units alike share the name"))
            assert f"serial:{os.path.realpath(twin.target)}" in state_of(its, "g").message
            # Alone, it is the one that the name means.
            there[:] = there[:1]
            assert until(lambda: state_of(its, "g").state == "listening")
            # The other one is plugged in too, and has the name when this one goes.
            there.append(usb_port(twin, "1-3"))
            mine.unplug()
            del there[0]
            name.symlink_to(os.path.realpath(twin.target))
            assert until(lambda: state_of(its, "g").state == "unplugged")
            assert not until(lambda: state_of(its, "g").state == "listening", 1.0)
            twin.send(b"99.00\r\n")
            name.unlink()
            mine.plug()
            there.append(usb_port(mine, "1-2"))
            assert until(lambda: state_of(its, "g").state == "listening")
            mine.send(b"1.00\r\n")
            assert until(lambda: book.readings)
            assert book.sent() == ["1.00"]


def test_an_instrument_that_stays_away_is_said_once(tmp_path: Path) -> None:
    """Absent at the start, and no flood of reports."""
    link = tmp_path / "gauge"
    with bench(f"serial:{link},name=g,unit=mm") as (book, instruments):
        assert until(lambda: book.said("waiting", "plug it in"))
        # Several attempts, one report.
        assert not until(lambda: len(book.states) > 1, 1.2)
        with plugged(link) as port:
            assert until(lambda: state_of(instruments, "g").state == "listening")
            assert state_of(instruments, "g").message == ""
            port.send(b"1.00\r\n")
            assert until(lambda: book.readings)


def test_a_busy_port_is_said_and_taken_once_it_is_free() -> None:
    with plugged() as port:
        other = serial.Serial(port.target, exclusive=True)
        with bench(f"serial:{port.target},name=g") as (book, _):
            assert until(lambda: book.said("trouble", "another program"))
            other.close()
            assert listening(book)
