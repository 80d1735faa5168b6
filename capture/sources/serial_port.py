"""Reads bytes from a serial port: a device, or anything that pyserial opens by a URL."""

from __future__ import annotations

import contextlib
import errno
import os
import re
import select
import socket
import sys
from typing import Any, Final, Literal

import serial

from capture.errors import (
    SourceBusyError,
    SourceError,
    SourceForbiddenError,
    SourceMissingError,
    SourceUnpluggedError,
    SourceUnsupportedError,
)
from capture.sources.wakeable_poll import WakeablePoll

if sys.platform == "win32":
    _FAULTS: tuple[type[Exception], ...] = (OSError,)
else:
    import termios

    # termios.error is no OSError, but a port that was unplugged raises it.
    _FAULTS = (OSError, termios.error)

# pyserial raises TypeError and AttributeError from a read when the port has been closed or
# unplugged, and ValueError from select() for a descriptor above its limit.
_READ_FAULTS: Final = (*_FAULTS, TypeError, AttributeError, ValueError)
# How long a read through pyserial may delay a stop: not every kind of port can be woken.
_LONGEST_WAIT_S: Final = 0.1
_CHUNK: Final = 4096
Parity = Literal["none", "even", "odd", "mark", "space"]
_PARITIES: Final[dict[Parity, str]] = {
    "none": serial.PARITY_NONE,
    "even": serial.PARITY_EVEN,
    "odd": serial.PARITY_ODD,
    "mark": serial.PARITY_MARK,
    "space": serial.PARITY_SPACE,
}
# What pyserial says of a server that is there and does not do what is asked of it, and how a
# person calls what it refused.
_NOT_AS_ASKED: Final = re.compile(
    r"not seem to support RFC2217|(?P<parameters>not accept parameter change)"
    r"|(?:rejected value|waiting) for option '(?P<setting>\w+)'"
)
_SETTINGS: Final = {
    "datasize": "the number of data bits",
    "parity": "the parity",
    "stopsize": "the number of stop bits",
}
BY_ID: Final = "/dev/serial/by-id"


class SerialPort:
    """One serial port, opened exclusively.

    `target`: a device path, a name in /dev/serial/by-id, or a pyserial URL. `dtr` False
    leaves the control lines down (some boards restart when they rise; many send nothing
    until they do). A pause between reads loses no reading until the system's own
    buffer, some kilobytes, is full.
    """

    def __init__(
        self,
        target: str,
        *,
        baud: int = 9600,
        bytesize: Literal[7, 8] = 8,
        parity: Parity = "none",
        stopbits: Literal[1, 2] = 1,
        dtr: bool = True,
    ) -> None:
        self.target = target
        self._settings: dict[str, Any] = {
            "baudrate": baud,
            "bytesize": bytesize,
            "parity": _PARITIES[parity],
            "stopbits": stopbits,
        }
        self._dtr = dtr
        self._port: Any = None  # Each kind of URL has a class of its own.
        self._poll: WakeablePoll | None = None
        self._fd = -1

    @property
    def is_url(self) -> bool:
        return "://" in self.target

    @property
    def device(self) -> str:
        """The name to open: a bare by-id name gets its folder, all others are unchanged."""
        if self.is_url or os.sep in self.target:
            return self.target
        by_id = f"{BY_ID}/{self.target}"
        return by_id if os.path.lexists(by_id) else self.target

    def open(self) -> None:
        """Open the port.

        What was received before is lost: the system discards it on opening. Raises
        SourceError.
        """
        name = self.device
        port: Any = None
        try:
            port = serial.serial_for_url(
                name, do_not_open=True, timeout=_LONGEST_WAIT_S, **self._settings
            )
            if not self.is_url:
                # A second reader would take part of the bytes, so open the port exclusively.
                port.exclusive = True
            if not self._dtr:
                port.dtr = False
                port.rts = False
            port.open()
        except (*_FAULTS, ValueError) as fault:
            # A port that failed while it was opened still has its descriptor.
            _close(port)
            raise self._cannot_open(name, fault) from fault
        self._port = port
        if self.is_url:
            _keep_alive(port)
        elif sys.platform == "linux":
            # pyserial waits with select(), which allows no descriptor above 1023 and cannot
            # distinguish an idle port from one that has hung up.
            self._fd = port.fileno()
            self._poll = WakeablePoll(self._fd)

    def read(self, wait: float | None) -> bytes:
        """What has arrived, after at most `wait` seconds; b"" when nothing has.

        May return early. Raises SourceError when the port was unplugged.
        """
        assert self._port is not None, "open() comes first"
        if self._poll is not None:
            return self._read_device(self._poll, wait)
        try:
            seconds = _LONGEST_WAIT_S if wait is None else min(wait, _LONGEST_WAIT_S)
            if self._port.timeout != seconds:
                self._port.timeout = seconds
            data: bytes = self._port.read(1)
            # For a socket, in_waiting is never more than 1.
            while data and len(data) < _CHUNK and (ready := self._port.in_waiting):
                data += self._port.read(ready)
            return data
        except _READ_FAULTS as fault:
            raise self._gone() from fault

    def write(self, data: bytes) -> None:
        """Send a request. Raises SourceError when the port was unplugged or accepts nothing."""
        assert self._port is not None, "open() comes first"
        try:
            if self._poll is not None:
                # A request is a few bytes: a port that cannot accept them at once is blocked.
                os.write(self._fd, data)
            else:
                self._port.write(data)
        except BlockingIOError as fault:
            raise SourceUnsupportedError(
                self.target, f"{self.target} accepts no request; check its cable and flow control"
            ) from fault
        except _READ_FAULTS as fault:
            raise self._gone() from fault

    def change_speed(self, baud: int) -> None:
        """Change the speed without closing the port. Raises SourceError."""
        assert self._port is not None, "open() comes first"
        try:
            self._port.baudrate = baud
        except _READ_FAULTS as fault:
            if self._answered_otherwise(fault):
                raise self._not_as_asked(str(fault), baud) from fault
            raise self._gone() from fault

    def wake(self) -> None:
        """End a waiting read soon. Safe from any thread."""
        if self._poll is not None:
            self._poll.wake()

    def close(self) -> None:
        """Release the port, unplugged or not. Never raises; a second close does nothing."""
        port, self._port = self._port, None
        _close(port)
        poll, self._poll = self._poll, None
        if poll is not None:
            poll.close()

    def _read_device(self, poll: WakeablePoll, wait: float | None) -> bytes:
        events = poll.wait(wait)
        if not events:
            return b""
        data = b""
        try:
            if events & select.POLLIN:
                data = os.read(self._fd, _CHUNK)
        except BlockingIOError:
            return b""
        except OSError as fault:
            raise self._gone() from fault
        if data:
            return data
        # It may have been unplugged since it had something to read.
        if (events | poll.wait(0)) & (select.POLLHUP | select.POLLERR | select.POLLNVAL):
            raise self._gone()
        raise SourceBusyError(
            self.target, f"another program reads {self.target} too and takes its bytes; close it"
        )

    def _gone(self) -> SourceUnpluggedError:
        return SourceUnpluggedError(self.target, f"{self.target} has gone; plug it in again")

    def _cannot_open(self, name: str, fault: Exception) -> SourceError:
        number = getattr(fault, "errno", None)
        text = str(fault)
        if isinstance(fault, ValueError) and "select()" in text:
            return SourceUnsupportedError(
                self.target,
                f"{self.target} cannot be opened with more than a thousand open files;"
                " distribute the instruments over several programs",
            )
        if self._answered_otherwise(fault):
            return self._not_as_asked(text, self._settings["baudrate"])
        if isinstance(fault, ValueError):
            return SourceUnsupportedError(
                self.target, f"{self.target} is no port that can be opened: {text}"
            )
        if number == errno.EMFILE or number == errno.ENFILE:
            return SourceUnsupportedError(
                self.target,
                "too many files are open; raise the limit with ulimit -n and start again",
            )
        if self.is_url and number in (errno.EPIPE, errno.ECONNRESET, errno.ECONNABORTED):
            return SourceBusyError(
                self.target,
                f"{self.target} answers and hangs up; if another program or computer is connected"
                " there, close that, since many such servers take one at a time",
            )
        if self.is_url:
            return SourceMissingError(
                self.target, f"nobody answers at {self.target}; switch it on or check the address"
            )
        if number in (errno.EAGAIN, errno.EBUSY) or (
            sys.platform == "win32" and "PermissionError" in text
        ):
            return SourceBusyError(
                self.target, f"another program has {name} open; close that program"
            )
        if number in (errno.EACCES, errno.EPERM):
            return SourceForbiddenError(
                self.target, f"no permission to open {name}; {_permission_remedy(name)}"
            )
        if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.EIO) or (
            sys.platform == "win32" and "FileNotFoundError" in text
        ):
            return SourceMissingError(self.target, f"{name} is not there; plug it in")
        if isinstance(fault, serial.SerialException):
            return SourceUnsupportedError(self.target, f"{name} is not a serial port")
        return SourceUnsupportedError(
            self.target, f"{name} does not take these settings ({text}); try another baud or parity"
        )

    def _answered_otherwise(self, fault: Exception) -> bool:
        """Whether somebody is there across the network who does not do what RFC 2217 asks."""
        return self.target.startswith("rfc2217://") and _NOT_AS_ASKED.search(str(fault)) is not None

    def _not_as_asked(self, text: str, baud: int) -> SourceUnsupportedError:
        """The remedy for pyserial's complaint `text` about a server that answered."""
        found = _NOT_AS_ASKED.search(text)
        assert found is not None
        address, _, options = self.target.partition("?")
        plain = f"serial:socket://{address.removeprefix('rfc2217://')}"
        raw = (
            f"if it passes on what the caliper sends as it is, use {plain}, and set speed and"
            " parity at the server itself"
        )
        match found["setting"]:
            case None if found["parameters"] is None:
                said = f"but not as RFC 2217 asks; {raw}, or switch RFC 2217 on there"
            case "baudrate":
                said = (
                    f"but refuses {baud} baud; give the speed that it has, as baud=, or allow"
                    f" {baud} there"
                )
            case "control" if "ign_set_control" not in options:
                mark = "&" if options else "?"
                said = (
                    "but does not confirm its control lines; use"
                    f" serial:{self.target}{mark}ign_set_control"
                )
            case "datasize" | "parity" | "stopsize" as setting:
                option = {"datasize": "bytesize", "stopsize": "stopbits"}.get(setting, setting)
                said = f"but refuses {_SETTINGS[setting]}; give what it has, as {option}="
            case _:
                said = f"but does not confirm what RFC 2217 sets; {raw}"
        return SourceUnsupportedError(self.target, f"{address} answers, {said}")


def _close(port: Any) -> None:
    wire = getattr(port, "_socket", None)
    if port is not None:
        with contextlib.suppress(*_READ_FAULTS):
            port.close()
    # pyserial 3.5 leaves a socket open where the far end closed it first.
    if isinstance(wire, socket.socket):
        wire.close()


def _keep_alive(port: Any) -> None:
    """Let the system check from time to time whether the far end of a network is still there.

    Without it a broken network connection looks like silence, without end.
    """
    wire = getattr(port, "_socket", None)
    if isinstance(wire, socket.socket):
        with contextlib.suppress(OSError):
            wire.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            for name, value in (("KEEPIDLE", 2), ("KEEPINTVL", 1), ("KEEPCNT", 3)):
                if hasattr(socket, f"TCP_{name}"):
                    wire.setsockopt(socket.IPPROTO_TCP, getattr(socket, f"TCP_{name}"), value)


def _permission_remedy(name: str) -> str:
    """The command that lets this user open `name`, as far as its group shows."""
    try:
        import grp

        group = grp.getgrgid(os.stat(name).st_gid).gr_name
    except (ImportError, OSError, KeyError):
        return "ask the administrator of this computer"
    if group == "root":
        return "give its group the right to read it with a udev rule"
    return f"run: sudo usermod -aG {group} $USER, then log out and in again"
