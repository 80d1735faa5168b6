"""Where the lines of events go, and what is remembered of them.

A file gets each event exactly once. What was written and what is remembered may differ where the
program ended between the two: then whole lines after the remembered length count, and the rest is
cut away.

A pipe gets each event at least once. An event is remembered when the reader has taken its line
out of the pipe, where the system can tell (Linux); elsewhere, when it was written.
"""

from __future__ import annotations

import json
import os
import select
import sqlite3
import stat
import struct
import sys
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Final, Protocol

from api.exports import pull_state
from api.exports.live_events import Line, Seen, seen_in
from api.exports.sources import NoSuchQuestion

# A reader that is quick has taken what was written by then.
_SOON_S: Final = 0.2
_LOOK_S: Final = 0.01
_THEN: Final = "it is followed anew"


class NotKept(Exception):
    """A file could not be read or written; the message says which."""


@dataclass(frozen=True, slots=True)
class Reached:
    """How far the events of a bench are handed over. length: of the file then."""

    source: str
    bench: str
    after: int
    seen: Seen | None = None
    length: int = 0

    def at(self, line: Line) -> Reached:
        """The same with `line` handed over too."""
        return replace(self, after=line.number, seen=line.seen or self.seen)


class Memory:
    """What is remembered of the events of one bench, in a file, or only here where there is none.

    Raises NoSuchQuestion where the file is of something else, or another program has it.
    """

    def __init__(self, file: Path | None, what: Path, source: str, bench: str) -> None:
        self._file = file
        self._source = source
        self._bench = bench
        self.reached: Reached | None = None
        self._lock: sqlite3.Connection | None = None
        if file is not None:
            self._lock = _only_one(file, what)
            try:
                self.reached = _read(file, what, source, bench)
            except NoSuchQuestion:
                self.close()
                raise

    def begin(self, after: int) -> None:
        """Remember that nothing after event number `after` was handed over."""
        self.keep(Reached(self._source, self._bench, after))

    def keep(self, reached: Reached) -> None:
        if reached != self.reached and self._file is not None:
            try:
                pull_state.write_json(self._file, asdict(reached))
            except OSError as error:
                raise NotKept(f"{self._file} cannot be written ({error.strerror})") from None
        self.reached = reached

    def close(self) -> None:
        if self._lock is not None:
            self._lock.close()


def _only_one(file: Path, what: Path) -> sqlite3.Connection:
    """A lock that ends with this process, however it ends: SQLite's, on an empty file."""
    lock = sqlite3.connect(file.with_name(f"{file.name}.lock"), timeout=0, isolation_level=None)
    try:
        lock.execute("BEGIN EXCLUSIVE")
    except sqlite3.OperationalError:
        lock.close()
        raise NoSuchQuestion(
            f"{what} is being followed into already, or its folder cannot be written; stop the"
            " other one, or give another name"
        ) from None
    return lock


def _read(file: Path, what: Path, source: str, bench: str) -> Reached | None:
    found = pull_state.read_json(file, what, _THEN)
    if found is None:
        return None
    if "what" in found:
        raise NoSuchQuestion(f"{what} was pulled without --follow; give another name")
    try:
        seen = found.pop("seen")
        reached = Reached(**found, seen=None if seen is None else Seen(*seen))
    except (KeyError, TypeError):
        raise pull_state.unreadable(file, what, _THEN) from None
    if (reached.source, reached.bench) != (source, bench):
        raise NoSuchQuestion(
            f"{what} follows bench {reached.bench} of {reached.source}, not {bench} of {source};"
            " ask the same, or give another name"
        )
    return reached


class Followed(Protocol):
    """Takes lines in their order; `look` is called now and then where there are none."""

    memory: Memory

    def take(self, lines: Sequence[Line]) -> None: ...

    def look(self) -> None: ...


class FollowedFile:
    """A file that gets each event exactly once. It may be moved away: the next line begins a new
    one. Raises NoSuchQuestion, NotKept."""

    def __init__(self, file: Path, source: str, bench: str) -> None:
        state_file = pull_state.beside(file)
        if file.exists() and not state_file.exists():
            raise NoSuchQuestion(
                f"{file} is there, but not {state_file.name}, which says what it holds;"
                " give another name with --to, or move the file away"
            )
        self._file = file
        self.memory = Memory(state_file, file, source, bench)
        if self.memory.reached is not None and file.exists():
            try:
                self.memory.keep(_mended(file, self.memory.reached))
            except OSError as error:
                raise NotKept(f"{file} cannot be read ({error.strerror})") from None

    def take(self, lines: Sequence[Line]) -> None:
        reached = self.memory.reached
        assert reached is not None
        if reached.length and not self._file.exists():
            # Moved away. Said first, so that what the new file holds is known at any moment.
            reached = replace(reached, length=0)
            self.memory.keep(reached)
        for line in lines:
            reached = reached.at(line)
        try:
            with self._file.open("ab") as out:
                out.write(b"".join(line.text for line in lines))
                pull_state.to_disk(out)
                length = out.tell()
            if not reached.length:
                # Else a power cut might leave what is remembered, and no file.
                pull_state.name_to_disk(self._file)
        except OSError as error:
            raise NotKept(f"{self._file} cannot be written ({error.strerror})") from None
        self.memory.keep(replace(reached, length=length))

    def look(self) -> None:
        pass


def _mended(file: Path, reached: Reached) -> Reached:
    """What `file` holds in truth; what is no whole line of the next events is cut away."""
    if file.stat().st_size <= reached.length:
        return reached
    with file.open("r+b") as out:
        out.seek(reached.length)
        for text in out.readlines():
            line = _line(text)
            if line is None or line.number <= reached.after:
                break
            reached = replace(reached.at(line), length=reached.length + len(text))
        out.truncate(reached.length)
        pull_state.to_disk(out)
    return reached


def _line(text: bytes) -> Line | None:
    """The event that a line of a file holds; None where it is not whole."""
    try:
        found = json.loads(text) if text.endswith(b"\n") else {}
        number = int(found["id"])
        return Line(number, text, seen_in(number, found["event"], found["data"]))
    except (ValueError, KeyError, TypeError):
        return None


class FollowedPipe:
    """A pipe (or what else `descriptor` is) that gets each event at least once.

    `take` and `look` raise BrokenPipeError where its reader is gone.
    """

    def __init__(self, descriptor: int, memory: Memory) -> None:
        self.memory = memory
        self._descriptor = descriptor
        self._written = 0
        self._untaken: deque[tuple[int, Line]] = deque()
        self._tells = sys.platform == "linux" and stat.S_ISFIFO(os.fstat(descriptor).st_mode)

    def take(self, lines: Sequence[Line]) -> None:
        try:
            for line in lines:
                left = memoryview(line.text)
                while left:
                    left = left[os.write(self._descriptor, left) :]
                self._written += len(line.text)
                self._untaken.append((self._written, line))
        except BrokenPipeError:
            self._remember()
            raise
        until = time.monotonic() + _SOON_S
        while self._unread() and time.monotonic() < until:
            time.sleep(_LOOK_S)
        self._remember()

    def look(self) -> None:
        self._remember()
        if sys.platform != "win32":
            poll = select.poll()
            poll.register(self._descriptor, 0)
            if any(event & select.POLLERR for _, event in poll.poll(0)):
                raise BrokenPipeError

    def _unread(self) -> int:
        """How many bytes lie in the pipe; 0 where that can't be told."""
        if not self._tells:
            return 0
        import fcntl
        import termios

        unread = fcntl.ioctl(self._descriptor, termios.FIONREAD, struct.pack("i", 0))
        return int.from_bytes(unread, sys.byteorder)

    def _remember(self) -> None:
        taken = self._written - self._unread()
        reached = self.memory.reached
        assert reached is not None
        while self._untaken and self._untaken[0][0] <= taken:
            reached = reached.at(self._untaken.popleft()[1])
        self.memory.keep(reached)
