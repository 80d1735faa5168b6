"""What the driver presses, and what becomes of each press.

A press at a port is *heard* where its whole line was taken out of the port by a process that was
listening to it. That is told from outside: the process has the port's device open and said that
it listens (opening discards what came before), and the line is no longer in the system's buffer
of the port, a quarter of a second after it was sent (the system moves bytes in the background).
So a press is heard by nobody while no process has the port open, and where the port was
unplugged, or the process stopped, before the line was taken. A process that is killed takes with it
what it heard and had not acknowledged; one that is told to end has to keep or to name every reading
(a line that is no reading need not be named then: it counts as unheard where it is not kept).
A posted reading is heard by definition: its sender keeps it until it is acknowledged.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Literal

from capture.pretend import PtyPort
from tests.ptys import unread

Source = Literal["near", "far", "posted"]
_MOVED_S: Final = 0.25


@dataclass(eq=False)
class Press:
    """One press. `text` is what is sent, unlike that of any other press.

    end: bytes sent to the port, its line among them, since it was plugged in.
    heard: taken in by a process; survived: that process was not killed afterwards.
    beside: the person was told that it is kept beside the store, and not yet in it.
    said: the sentence that named this press as not kept.
    """

    source: Source
    text: str
    nonsense: bool = False
    end: int = 0
    heard: bool = False
    survived: bool = True
    acknowledged: bool = False
    beside: bool = False
    said: str = ""

    @property
    def owed(self) -> bool:
        """Whether the program owes an answer: it took the press in and had time to give one."""
        return self.acknowledged or (self.heard and self.survived)


@dataclass(eq=False)
class Session:
    """One process listening to a port, from plug to unplug: its presses come in this order."""

    process: int
    listening: bool = False
    presses: list[Press] = field(default_factory=list)


class Wire:
    """A pseudo-terminal with a caliper at its end, and the sessions of those who listened."""

    def __init__(self, source: Source, link: Path) -> None:
        self.source = source
        self.link = link
        self.port = PtyPort(str(link))
        self.sessions: list[Session] = []
        self._session: Session | None = None
        # Since the port was plugged in: how many bytes were sent by each moment.
        self._sent: list[tuple[float, int]] = []

    def listen(self, process: int | None) -> None:
        """From now on `process` is there to open the port; None: nobody."""
        self._session = None
        if process is not None:
            self._session = Session(process)
            self.sessions.append(self._session)

    @property
    def session(self) -> Session | None:
        return self._session

    def is_open(self) -> bool:
        """Whether the listening process has the present port open."""
        if self._session is None or not self.port.plugged:
            return False
        return self.port._name in _open_files(self._session.process)

    def press(self, press: Press) -> None:
        if not self.port.plugged:
            return
        line = f"{press.text}\r\n".encode()
        press.end = len(line) + (self._sent[-1][1] if self._sent else 0)
        self._sent.append((time.monotonic(), press.end))
        if self._session is not None and self._session.listening:
            self._session.presses.append(press)
        self.port.send(line)

    def take_stock(self) -> bool:
        """Mark what was heard; whether all that the session's process will hear was taken."""
        if self._session is None or not self.port.plugged:
            return True
        moved_by = time.monotonic() - _MOVED_S
        taken = max((end for at, end in self._sent if at < moved_by), default=0) - unread(self.port)
        for press in self._session.presses:
            press.heard = press.heard or press.end <= taken
        return all(press.heard for press in self._session.presses)

    def killed(self) -> None:
        """The listening process is gone, and whatever it had heard and not kept is with it."""
        for press in self._presses_of_process():
            press.survived = False
        self.listen(None)

    def told_to_end(self) -> None:
        """The listening process closes the port now, and keeps or names what it has heard."""
        self.take_stock()
        for press in self._presses_of_process():
            press.survived = press.survived and not press.nonsense
        self.listen(None)

    def _presses_of_process(self) -> Iterator[Press]:
        for session in self.sessions:
            if self._session is not None and session.process == self._session.process:
                yield from session.presses

    def unplug(self) -> None:
        self.take_stock()
        self.port.unplug()
        self._again()

    def plug(self) -> None:
        if not self.port.plugged:
            self.port.plug()
            self._sent = []
            self._again()

    def _again(self) -> None:
        self.listen(None if self._session is None else self._session.process)


def _open_files(process: int) -> Iterator[str]:
    with suppress(OSError):
        for each in Path(f"/proc/{process}/fd").iterdir():
            with suppress(OSError):
                yield os.readlink(each)
