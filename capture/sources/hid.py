"""Key reports from a USB HID instrument, through hidapi."""

from __future__ import annotations

import contextlib
import os
import re
import sys
from types import ModuleType
from typing import Any, Final

from capture.errors import (
    SourceForbiddenError,
    SourceMissingError,
    SourceUnpluggedError,
    SourceUnsupportedError,
)
from capture.installed import add_command

_REPORT: Final = 64
# A read cannot be woken, so it must be short for a quick stop.
_LONGEST_WAIT_S: Final = 0.1
PAGE_REMEDY: Final = (
    "this system does not let programs read keyboards; open the Bench page and press there, since"
    " the page receives what a keyboard-type caliper types"
)
_SHARED_NOTICE: Final = (
    "its digits also go to whatever window has the focus; to keep them out, allow the USB"
    " device itself (bothends install --udev), or listen through keys: instead"
)


def backends() -> tuple[ModuleType, ...]:
    """hidapi's modules; the one that hides the keys from other windows first.

    On Linux the wheel contains two: `hid` takes the device from the system while it is open,
    `hidraw` reads beside the system. Empty where hidapi is not installed.
    """
    found: list[ModuleType] = []
    for name in ("hid", "hidraw"):
        with contextlib.suppress(ImportError):
            found.append(__import__(name))
    return tuple(found)


class HidDevice:
    """One USB HID device by vendor and product, or by hidapi's path to it.

    Open, read and close it in one thread, as hidapi requires.
    """

    def __init__(
        self, *, vendor: int | None = None, product: int | None = None, path: str | None = None
    ) -> None:
        self.target = path if path is not None else f"{vendor or 0:04x}:{product or 0:04x}"
        self._vendor, self._product, self._path = vendor, product, path
        self._device: Any = None
        self._notice = ""

    @property
    def notice(self) -> str:
        """What the person should know while the device is open, "" when nothing."""
        return self._notice

    def open(self) -> None:
        """Open the device. Raises SourceError, also where there are two of the same type."""
        modules = backends()
        if not modules:
            raise SourceUnsupportedError(
                self.target, f"hidapi is not installed; run: {add_command('hidapi')}"
            )
        seen = False
        for module in modules:
            for path in self._paths(module):
                seen = True
                device = module.device()
                try:
                    device.open_path(path)
                except OSError:
                    continue
                self._device = device
                # Only the other module takes the device away from the system.
                self._notice = _SHARED_NOTICE if path.startswith(b"/dev/hidraw") else ""
                return
        if not seen:
            raise SourceMissingError(self.target, f"no HID device {self.target} is plugged in")
        if sys.platform != "linux":
            raise SourceForbiddenError(
                self.target, f"{self.target} cannot be opened: {PAGE_REMEDY}"
            )
        raise SourceForbiddenError(
            self.target,
            f"no permission to open HID device {self.target}, or another program has it;"
            " bothends instruments shows the udev rule that gives permission",
        )

    def read(self, wait: float | None) -> bytes:
        """The next report, b"" when none came within `wait` seconds. Raises SourceError."""
        assert self._device is not None, "open() comes first"
        seconds = _LONGEST_WAIT_S if wait is None else min(max(wait, 0.0), _LONGEST_WAIT_S)
        try:
            # Zero would mean without limit.
            report = self._device.read(_REPORT, timeout_ms=max(1, round(seconds * 1000)))
        except (OSError, ValueError) as fault:
            if sys.platform == "win32":
                raise SourceUnsupportedError(
                    self.target, f"{self.target}: {PAGE_REMEDY}"
                ) from fault
            raise SourceUnpluggedError(
                self.target, f"{self.target} has gone; plug it in again"
            ) from fault
        return bytes(report)

    def wake(self) -> None:
        """Reads are short enough."""

    def close(self) -> None:
        """Give the device back to the system. A second close does nothing."""
        device, self._device = self._device, None
        if device is not None:
            with contextlib.suppress(OSError, ValueError):
                device.close()

    def _paths(self, module: ModuleType) -> list[bytes]:
        if self._path is not None:
            wanted = self._path.encode()
            return [each["path"] for each in module.enumerate() if each["path"] == wanted]
        found = module.enumerate(self._vendor or 0, self._product or 0)
        alike = {_unit(each["path"].decode()): each for each in found}
        if sys.platform == "linux" and len(alike) > 1:
            names = " or ".join(
                f"hid:{each['path'].decode()} (number {each.get('serial_number') or 'unknown'})"
                for _, each in sorted(alike.items())
            )
            raise SourceUnsupportedError(
                self.target, f"several devices {self.target} are plugged in; name one: {names}"
            )
        # The keyboard among a device's several interfaces: generic desktop page, usage 6
        # (HID Usage Tables, page 0x01). Where the usage is unknown, the lowest interface.
        found.sort(
            key=lambda each: (
                (each.get("usage_page"), each.get("usage")) != (1, 6),
                each.get("interface_number", 0),
            )
        )
        return [each["path"] for each in found]


def _unit(path: str) -> str:
    """Identifies a plugged-in unit: the same for all its interfaces (Linux)."""
    if path.startswith("/dev/hidraw"):
        path = os.path.realpath(f"/sys/class/hidraw/{os.path.basename(path)}/device")
    # "1-2:1.0": bus and sockets, then configuration and interface.
    return re.sub(r"(\b[0-9]+-[0-9.]+):[0-9].*", r"\1", path)
