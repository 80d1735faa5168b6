"""A keyboard-kind caliper that the kernel itself believes in, made through /dev/uhid.

Layouts and numbers are those of linux/uhid.h; the report descriptor is the boot keyboard's
of USB HID 1.11, appendix B.1. Needs Linux, the uhid module and the right to open it.
"""

from __future__ import annotations

import os
import select
import struct
import threading
from typing import Final

AVAILABLE: Final = os.access("/dev/uhid", os.R_OK | os.W_OK)

_DESTROY, _START, _GET_REPORT, _GET_REPORT_REPLY = 1, 2, 9, 10
_CREATE2, _INPUT2, _SET_REPORT, _SET_REPORT_REPLY = 11, 12, 13, 14
_EVENT_BYTES: Final = 4 + 4376
_BUS_USB: Final = 3
_IO_ERROR: Final = 5
_DESCRIPTOR: Final = bytes.fromhex(
    "05010906a101 050719e029e7 1500250175019508 8102 95017508 8101 95057501"
    "0508 19012905 9102 95017503 9101 95067508 15002565 0507 19002965 8100 c0"
)
VENDOR: Final = 0x1209
ENTER: Final = 0x28
USAGES: Final = {
    **{str(digit): 0x1E + (digit - 1) % 10 for digit in range(10)},
    ".": 0x37,
    "-": 0x2D,
    "\n": ENTER,
}


class TypingCaliper:
    """Plugged in when made; `type` presses its send button, `unplug` pulls the plug."""

    def __init__(self, product: int = 0x0001, number: str = "17") -> None:
        self._fd = os.open("/dev/uhid", os.O_RDWR | os.O_CLOEXEC)
        self._plugged = True
        self._started = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()
        self._write(
            struct.pack(
                "<I128s64s64sHHIIII4096s",
                _CREATE2,
                b"Workbench Typing Gauge",
                b"",
                number.encode(),
                len(_DESCRIPTOR),
                _BUS_USB,
                VENDOR,
                product,
                0x0110,
                0,
                _DESCRIPTOR,
            )
        )
        if not self._started.wait(30):
            raise TimeoutError("the kernel did not take the keyboard")

    def type(self, text: str) -> None:
        for mark in text:
            self.report(USAGES[mark])
            self.report()

    def report(self, *usages: int, modifiers: int = 0) -> None:
        keys = bytes([modifiers, 0, *usages]).ljust(8, b"\0")
        self._write(struct.pack("<IH", _INPUT2, 8) + keys)

    def unplug(self) -> None:
        if self._plugged:
            self._write(struct.pack("<I", _DESTROY))
            self._plugged = False
            self._thread.join()
            os.close(self._fd)

    def _write(self, event: bytes) -> None:
        os.write(self._fd, event.ljust(_EVENT_BYTES, b"\0"))

    def _serve(self) -> None:
        """Answer what the kernel asks of a device."""
        while self._plugged:
            if not select.select([self._fd], [], [], 0.1)[0]:
                continue
            event = os.read(self._fd, _EVENT_BYTES)
            (kind,) = struct.unpack_from("<I", event)
            if kind == _START:
                self._started.set()
            elif kind == _GET_REPORT:
                (number,) = struct.unpack_from("<I", event, 4)
                self._write(struct.pack("<IIHH", _GET_REPORT_REPLY, number, _IO_ERROR, 0))
            elif kind == _SET_REPORT:
                (number,) = struct.unpack_from("<I", event, 4)
                self._write(struct.pack("<IIH", _SET_REPORT_REPLY, number, 0))
