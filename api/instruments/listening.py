"""The calipers that this server listens to, and remembers for its next start.

What is plugged into a computer belongs to that computer and not to the store, which several
servers may share. So it is remembered in a file of the data folder.
"""

from __future__ import annotations

import json
import logging
import os
import threading
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from api.settings import CALIPERS_FILE
from capture.bench import Instruments, default_name
from capture.errors import SpecError
from capture.sources.serial_port import SerialPort
from capture.spec import Spec, parse_spec

_log = logging.getLogger(__name__)

# The names of what the page itself takes in.
OF_THE_PAGE: Final = ("keyboard", "typed")
_LONGEST_NAME: Final = 64


class ListenError(ValueError):
    """An instrument that can't be listened to as asked; `field` is what to change."""

    def __init__(self, field: str, message: str) -> None:
        super().__init__(message)
        self.field = field


class FileError(OSError):
    """The file of remembered calipers can't be written; the message says what to do."""


@dataclass(frozen=True, slots=True)
class Listened:
    """One instrument that is listened to. `remembered`: from the next start on as well.

    `spec` names it and its bench, whether or not it was described so.
    """

    spec: Spec
    remembered: bool

    @property
    def name(self) -> str:
        return self.spec.name or ""

    @property
    def bench(self) -> str:
        return self.spec.bench


class Listening:
    """Adds to and takes from `instruments`, and keeps the file in `data`.

    Safe to call from any thread.
    """

    def __init__(self, instruments: Instruments, data: Path) -> None:
        self._instruments = instruments
        self._file = data / CALIPERS_FILE
        self._lock = threading.Lock()
        self._listened: list[Listened] = []
        # Lines of the file that this version does not understand: they stay in it.
        self._unread: list[str] = []

    def start(self, given: Iterable[Spec]) -> None:
        """Listen to `given` and to what is remembered; each port once, `given` first."""
        with self._lock:
            for spec in given:
                self._begin(spec, remembered=False)
            for spec in self._remembered():
                if _same(spec, self._listened) is None:
                    self._begin(spec, remembered=True)

    def add(self, spec: Spec) -> Listened:
        """Listen to `spec` from now on, and again after the next start.

        Without a name it gets one from its port. Raises ListenError where it is listened to
        already, its name is taken, or a server can't read it; FileError where it can't be
        remembered. Nothing has changed then.
        """
        with self._lock:
            if spec.kind == "stdin":
                raise ListenError(
                    "spec", "standard input can only be named at the start: --caliper stdin:"
                )
            known = _same(spec, self._listened)
            if known is not None:
                raise ListenError(
                    "spec",
                    f"{place_of(spec)} is listened to already, as {known.name} on bench"
                    f" {known.bench}; forget that one first",
                )
            named = self._named(spec)
            self._write([*(e.spec for e in self._listened if e.remembered), named])
            return self._begin(named, remembered=True)

    def forget(self, name: str, bench: str | None = None) -> Listened:
        """Stop listening to a caliper and release its port; it is not remembered any longer.

        Raises KeyError where none of that name is listened to, FileError where the file
        can't be written.
        """
        with self._lock:
            found = [e for e in self._listened if e.name == name and bench in (None, e.bench)]
            if not found:
                raise KeyError(name)
            gone = found[0]
            left = [e for e in self._listened if e is not gone]
            if gone.remembered:
                self._write([e.spec for e in left if e.remembered])
            self._listened = left
        self._instruments.remove(gone.name, gone.bench)
        return gone

    def listened(self) -> tuple[Listened, ...]:
        """What is listened to, in the order in which it was added."""
        with self._lock:
            return tuple(self._listened)

    def _begin(self, spec: Spec, *, remembered: bool) -> Listened:
        name = self._instruments.add(spec)
        begun = Listened(replace(spec, name=name), remembered)
        self._listened.append(begun)
        return begun

    def _named(self, spec: Spec) -> Spec:
        """`spec` with a name that no caliper listened to has: names are known store-wide."""
        taken = {state.caliper for state in self._instruments.states()} | set(OF_THE_PAGE)
        if spec.name is not None:
            if spec.name in taken:
                raise ListenError("name", f"{spec.name} is in use; choose another name")
            return spec
        wanted = default_name(spec)
        name, count = wanted[:_LONGEST_NAME].strip("-."), 1
        while name in taken:
            count += 1
            tail = f"-{count}"
            name = wanted[: _LONGEST_NAME - len(tail)] + tail
        return replace(spec, name=name)

    def _remembered(self) -> list[Spec]:
        try:
            said = json.loads(self._file.read_text(encoding="utf-8"))
            lines = said["calipers"]
            if not all(isinstance(line, str) for line in lines):
                raise TypeError("a line that is not text")
        except FileNotFoundError:
            return []
        except (OSError, ValueError, KeyError, TypeError) as fault:
            _log.warning("%s: %s", self._file, self._set_aside(fault))
            return []
        specs = []
        for line in lines:
            try:
                specs.append(parse_spec(line))
            except SpecError as fault:
                _log.warning("%s: %r is skipped: %s", self._file, line, fault)
                self._unread.append(line)
        return specs

    def _set_aside(self, fault: Exception) -> str:
        """Rename a file that can't be read, so that the next one does not overwrite it."""
        aside = self._file.with_suffix(".damaged.json")
        try:
            os.replace(self._file, aside)
        except OSError:
            return f"it can't be read ({fault}); name the calipers with --caliper"
        return f"it can't be read ({fault}) and is kept as {aside.name}; add the calipers again"

    def _write(self, specs: Iterable[Spec]) -> None:
        lines = [*map(str, specs), *self._unread]
        text = json.dumps({"calipers": lines}, ensure_ascii=False, indent=1) + "\n"
        new = self._file.with_suffix(".new")
        try:
            private = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
            with open(private, "w", encoding="utf-8") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            os.replace(new, self._file)
        except OSError as fault:
            raise FileError(
                f"{self._file} can't be written ({fault.strerror}), so nothing was changed; make"
                " room and see that the folder may be written to"
            ) from None


def remembered(data: Path) -> int:
    """How many calipers the file in `data` names; 0 where it can't be read."""
    try:
        return len(json.loads((data / CALIPERS_FILE).read_text(encoding="utf-8"))["calipers"])
    except (OSError, ValueError, KeyError, TypeError):
        return 0


def place_of(spec: Spec) -> str:
    """Where `spec` is read: the device that a link leads to, or the address."""
    if spec.vid is not None:
        return f"{spec.vid:04x}:{spec.pid:04x}"
    if "://" in spec.target or not spec.target:
        return spec.target
    device = SerialPort(spec.target).device if spec.kind == "serial" else spec.target
    return os.path.realpath(device)


def _same(spec: Spec, among: Iterable[Listened]) -> Listened | None:
    place = place_of(spec)
    return next((each for each in among if place_of(each.spec) == place), None)
