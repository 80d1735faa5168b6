"""Reads key events from a Linux input device, grabbed for this program.

A grabbed device types into no other window; the kernel gives it back when the
descriptor closes, also if the program crashes. Constants and layout are those of the kernel's
stable interface (include/uapi/linux/input.h; from memory).
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import struct
import sys
import time
from typing import Final, NamedTuple

from capture.errors import (
    SourceBusyError,
    SourceError,
    SourceForbiddenError,
    SourceMissingError,
    SourceUnpluggedError,
    SourceUnsupportedError,
)
from capture.sources.wakeable_poll import WakeablePoll

_EVENT: Final = struct.Struct("@llHHi")  # timeval, type, code, value
_EVIOCGRAB: Final = 0x40044590  # _IOW('E', 0x90, int)
_KEY_BYTES: Final = 96  # KEY_MAX 0x2ff, a bit each
_EVIOCGKEY: Final = 0x80004518 | _KEY_BYTES << 16  # _IOR('E', 0x18, char[96])
# The kernel keeps 64 events for each reader.
_MANY: Final = 64 * _EVENT.size


class KeyEvent(NamedTuple):
    """One event: the kernel's type, code and value, as they came."""

    type: int
    code: int
    value: int


class Keyboard:
    """One input device by its path, preferably the stable one in /dev/input/by-id."""

    def __init__(self, target: str) -> None:
        self.target = target
        self._fd = -1
        self._poll: WakeablePoll | None = None

    def open(self) -> None:
        """Open and grab the device. Raises SourceError."""
        if sys.platform != "linux":
            raise SourceUnsupportedError(
                self.target,
                "keys: works only on Linux; open the Bench page and press there, since the"
                " page receives what a keyboard-type caliper types",
            )
        import fcntl

        try:
            fd = os.open(self.target, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        except OSError as fault:
            raise self._cannot_open(fault) from fault
        try:
            # If it is grabbed while a key is down, other windows never see that key released.
            patience = time.monotonic() + 1.0
            while any(fcntl.ioctl(fd, _EVIOCGKEY, bytes(_KEY_BYTES))):
                if time.monotonic() > patience:
                    break
                time.sleep(0.01)
            fcntl.ioctl(fd, _EVIOCGRAB, 1)
        except OSError as fault:
            os.close(fd)
            raise self._cannot_open(fault) from fault
        self._fd = fd
        self._poll = WakeablePoll(self._fd)

    def read(self, wait: float | None) -> list[KeyEvent]:
        """The events that have arrived, after at most `wait` seconds.

        Raises SourceError when the device was unplugged.
        """
        assert self._poll is not None, "open() comes first"
        events = self._poll.wait(wait)
        if not events:
            return []
        try:
            data = os.read(self._fd, _MANY) if events & select.POLLIN else b""
        except BlockingIOError:
            return []
        except OSError as fault:
            raise self._gone() from fault
        if not data:
            raise self._gone()
        return [KeyEvent(*each[2:]) for each in _EVENT.iter_unpack(data)]

    def wake(self) -> None:
        """End a waiting read at once. Safe from any thread."""
        if self._poll is not None:
            self._poll.wake()

    def close(self) -> None:
        """Give the device back: all windows receive its keys again. A second close does nothing."""
        fd, self._fd = self._fd, -1
        poll, self._poll = self._poll, None
        if fd >= 0:
            with contextlib.suppress(OSError):
                os.close(fd)
        if poll is not None:
            poll.close()

    def _gone(self) -> SourceUnpluggedError:
        return SourceUnpluggedError(self.target, f"{self.target} has gone; plug it in again")

    def _cannot_open(self, fault: OSError) -> SourceError:
        if fault.errno in (errno.ENOENT, errno.ENODEV, errno.ENXIO):
            return SourceMissingError(self.target, f"{self.target} is not there; plug it in")
        if fault.errno in (errno.EACCES, errno.EPERM):
            return SourceForbiddenError(
                self.target,
                f"no permission to open {self.target};"
                " run: sudo usermod -aG input $USER, then log out and in again",
            )
        if fault.errno == errno.EBUSY:
            return SourceBusyError(
                self.target, f"another program has taken {self.target}; close that program"
            )
        return SourceUnsupportedError(
            self.target, f"{self.target} is no input device; name one of /dev/input"
        )
