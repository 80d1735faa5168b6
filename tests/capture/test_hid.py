"""Which of a computer's HID devices is opened, and what is said where none can be.

What hidapi says of devices is given here, since it takes a kernel to make one;
`test_keyboard.py` and `tests/usb` have real ones.
"""

from __future__ import annotations

import sys
from types import SimpleNamespace
from typing import Any

import pytest

from capture.errors import (
    SourceForbiddenError,
    SourceMissingError,
    SourceUnpluggedError,
    SourceUnsupportedError,
)
from capture.sources import hid
from capture.sources.hid import HidDevice, backends

linux = pytest.mark.skipif(sys.platform != "linux", reason="how Linux names devices")


def listed(path: str, **more: Any) -> dict[str, Any]:
    """What hidapi says of one interface of a device: a keyboard's, where nothing else is said."""
    usual = {"usage_page": 1, "usage": 6, "interface_number": 0, "serial_number": "17"}
    return {"path": path.encode()} | usual | more


class Hidapi:
    """A module as hidapi's, in which only `openable` paths can be opened."""

    def __init__(self, *devices: dict[str, Any], openable: tuple[str, ...] | None = None) -> None:
        self.devices = devices
        self.openable = openable
        self.opened: list[str] = []
        self.reports: list[bytes | Exception] = []
        self.waits_ms: list[int] = []
        self.closed = 0

    def enumerate(self, *_ids: int) -> list[dict[str, Any]]:
        return [dict(each) for each in self.devices]

    def device(self) -> Any:
        return SimpleNamespace(open_path=self._open, read=self._read, close=self._close)

    def _open(self, path: bytes) -> None:
        if self.openable is not None and path.decode() not in self.openable:
            raise OSError("open failed")
        self.opened.append(path.decode())

    def _read(self, _size: int, timeout_ms: int) -> list[int]:
        self.waits_ms.append(timeout_ms)
        report = self.reports.pop(0) if self.reports else b""
        if isinstance(report, Exception):
            raise report
        return list(report)

    def _close(self) -> None:
        self.closed += 1


def opened(monkeypatch: pytest.MonkeyPatch, *modules: Hidapi, **which: Any) -> HidDevice:
    monkeypatch.setattr(hid, "backends", lambda: modules)
    device = HidDevice(**(which or {"vendor": 0x1209, "product": 1}))
    device.open()
    return device


@pytest.mark.skipif(not backends(), reason="hidapi is not installed")
def test_a_device_that_is_not_there_is_waited_for() -> None:
    with pytest.raises(SourceMissingError, match="1209:fffe"):
        HidDevice(vendor=0x1209, product=0xFFFE).open()
    with pytest.raises(SourceMissingError, match="hidraw999"):
        HidDevice(path="/dev/hidraw999").open()


def test_without_hidapi_it_is_said_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(SourceUnsupportedError, match="pip install hidapi"):
        opened(monkeypatch)


def test_of_a_devices_interfaces_the_keyboard_is_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    module = Hidapi(
        listed("1-2:1.0", usage=2, interface_number=0),  # a mouse's
        listed("1-2:1.2", interface_number=2),
        listed("1-2:1.1", interface_number=1),
    )
    opened(monkeypatch, module)
    assert module.opened == ["1-2:1.1"]


def test_where_the_use_is_unknown_the_lowest_interface_is_opened(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    unknown = {"usage_page": 0, "usage": 0}
    module = Hidapi(
        listed("1-2:1.1", interface_number=1, **unknown),
        listed("1-2:1.0", interface_number=0, **unknown),
    )
    opened(monkeypatch, module)
    assert module.opened == ["1-2:1.0"]


@linux
def test_of_two_units_alike_none_is_guessed_and_both_are_named(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    twins = Hidapi(listed("1-3:1.0", serial_number=None), listed("1-2:1.0"), listed("1-2:1.1"))
    with pytest.raises(SourceUnsupportedError, match="several devices 1209:0001") as refused:
        opened(monkeypatch, twins)
    assert refused.value.sentence.endswith(
        "hid:1-2:1.1 (number 17) or hid:1-3:1.0 (number unknown)"
    )
    assert twins.opened == []


def test_a_device_named_by_its_path_is_that_one_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    twins = Hidapi(listed("1-2:1.0"), listed("1-3:1.0"))
    assert opened(monkeypatch, twins, path="1-3:1.0").target == "1-3:1.0"
    assert twins.opened == ["1-3:1.0"]


def test_digits_that_others_see_too_are_said_to_be(monkeypatch: pytest.MonkeyPatch) -> None:
    taking, overhearing = Hidapi(listed("1-2:1.0")), Hidapi(listed("/dev/hidraw3"))
    assert opened(monkeypatch, taking, overhearing).notice == ""
    assert overhearing.opened == []
    taking.openable = ()
    assert "whatever window has the focus" in opened(monkeypatch, taking, overhearing).notice
    assert overhearing.opened == ["/dev/hidraw3"]


@linux
def test_a_device_that_may_not_be_opened_leads_to_the_rule_that_allows_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with pytest.raises(SourceForbiddenError, match="udev rule"):
        opened(monkeypatch, Hidapi(listed("1-2:1.0"), openable=()))


def test_no_read_waits_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    """hidapi takes zero for no limit, and a read of it cannot be woken."""
    module = Hidapi(listed("1-2:1.0"))
    device = opened(monkeypatch, module)
    module.reports = [bytes([0, 0, 0x1E, 0, 0, 0, 0, 0])]
    assert device.read(None) == bytes([0, 0, 0x1E, 0, 0, 0, 0, 0])
    for wait in (60.0, 0.05, 0.0, -1.0):
        assert device.read(wait) == b""
    assert module.waits_ms == [100, 100, 50, 1, 1]


@pytest.mark.parametrize("fault", [OSError("read error"), ValueError("not open")])
def test_a_device_that_goes_is_closed_once(
    monkeypatch: pytest.MonkeyPatch, fault: Exception
) -> None:
    module = Hidapi(listed("1-2:1.0"))
    device = opened(monkeypatch, module)
    module.reports = [fault]
    with pytest.raises(SourceUnpluggedError, match="plug it in again"):
        device.read(0.1)
    device.close()
    device.close()
    assert module.closed == 1
