"""Input devices: each source opens, reads and closes one kind of instrument, nothing more."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Protocol, runtime_checkable

from capture.sources.ending import SourceEndedError as SourceEndedError

if TYPE_CHECKING:
    from capture.sources.keyboard import KeyEvent
    from capture.spec import Spec


class Source(Protocol):
    """The interface of every source. All methods but `wake` are called from one thread.

    `open` and `read` raise capture.errors.SourceError. `read` waits at most `wait` seconds
    (None: without limit), may return early, and returns an empty result when nothing came.
    """

    @property
    def target(self) -> str: ...
    def open(self) -> None: ...
    def read(self, wait: float | None) -> bytes | Sequence[KeyEvent]: ...
    def wake(self) -> None: ...
    def close(self) -> None: ...


@runtime_checkable
class Askable(Source, Protocol):
    """A source to which requests can be written."""

    def write(self, data: bytes) -> None: ...


@runtime_checkable
class HasNotice(Source, Protocol):
    """A source that other programs may read too; `notice` then tells the person what follows."""

    @property
    def notice(self) -> str: ...


def source_for(spec: Spec) -> Source:
    """The source, not yet open, that `spec` describes."""
    # Each library is loaded only when an instrument needs it.
    if spec.kind == "serial":
        from capture.sources.serial_port import SerialPort

        return SerialPort(
            spec.target,
            baud=spec.baud,
            bytesize=spec.bytesize,
            parity=spec.parity,
            stopbits=spec.stopbits,
            dtr=spec.dtr,
        )
    if spec.kind == "hid":
        from capture.sources.hid import HidDevice

        return HidDevice(vendor=spec.vid, product=spec.pid, path=spec.target or None)
    if spec.kind == "keys":
        from capture.sources.keyboard import Keyboard

        return Keyboard(spec.target)
    from capture.sources.standard_input import StandardInput

    return StandardInput()
