"""Others at the emulated machine: a window that has the focus, a person without rights."""

from __future__ import annotations

import os
import select
import subprocess
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from tests.ptys import until
from tests.whole.commands import BOTHENDS

# Patience for a machine that is emulated on a busy one.
PATIENCE_S: Final = 60.0
CALIPER: Final = Path("/dev/input/by-id/usb-QEMU_QEMU_USB_Keyboard_CAL1-event-kbd")
DESK: Final = Path("/dev/input/by-id/usb-QEMU_QEMU_USB_Keyboard_DESK1-event-kbd")
ADAPTER: Final = Path("/dev/serial/by-id/usb-QEMU_QEMU_USB_SERIAL_TTY1-if00-port0")


def soon(condition: Callable[[], object]) -> bool:
    """`until` with the patience that this machine needs."""
    return until(condition, PATIENCE_S)


class Window:
    """A second reader of a keyboard, as the desktop is one."""

    def __init__(self, keyboard: Path) -> None:
        self._fd = os.open(keyboard, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)

    def hears(self) -> bool:
        """Whether keys have come since the last look (all are taken)."""
        heard = False
        while select.select([self._fd], [], [], 0)[0]:
            try:
                heard |= bool(os.read(self._fd, 4096))
            except OSError:  # Its keyboard has gone.
                return heard
        return heard

    def close(self) -> None:
        os.close(self._fd)


@contextmanager
def window(keyboard: Path) -> Iterator[Window]:
    its = Window(keyboard)
    try:
        yield its
    finally:
        its.close()


NOBODY: Final = 65534


@contextmanager
def as_nobody(*words: str, groups: Iterable[int] = ()) -> Iterator[subprocess.Popen[str]]:
    """A bothends command under way for somebody who is in no group but `groups`."""
    process = subprocess.Popen(
        [*BOTHENDS, *words],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        user=NOBODY,
        group=NOBODY,
        extra_groups=list(groups),
    )
    try:
        yield process
    finally:
        process.kill()
        process.communicate()
