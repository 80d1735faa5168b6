"""A caliper's port, identified by its send button, step by step as the page does it.

It ends by itself, so that no port stays open when the person leaves.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

from analysis.sentences import plain
from api.instruments.listening import Listened, place_of
from api.settings import program
from capture.finding import Found, typing_instruments, why_not_taken
from capture.identify import (
    PortHeard,
    PortSearch,
    is_named,
    parse_shown,
    unknown_names,
    unknown_port_sentence,
)
from capture.keys import Stroke, read_strokes
from capture.spec import Spec, parse_spec
from capture.values import NotUnderstood, Value, read_value

# A page asks several times a second while it is open.
_ALONE_S: Final = 20.0
_LONGEST_S: Final = 300.0
# How often a port that was plugged in meanwhile is looked for, and an answer waited for.
_LOOK_S: Final = 1.0
_TURN_S: Final = 0.1
# Enough to read a number in a burst of keys; its unit is that of the bench's series.
_ANY_UNIT: Final = "mm"

Stage = Literal["none", "listening", "identified", "given up"]


class NoneUnderWay(Exception):
    """No search is running; start one first."""


class OneUnderWay(Exception):
    """A search is running already."""


class UnknownPort(ValueError):
    """A port that is not there, or can't be taken; the message says what to do. `field`: which."""

    def __init__(self, message: str, field: str = "leave_alone") -> None:
        super().__init__(message)
        self.field = field


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A port that is not opened, and why not."""

    device: str
    why: str


@dataclass(frozen=True, slots=True)
class FoundCaliper:
    """The caliper that pressed. `spec`: None where it types into the page, which needs none."""

    spec: Spec | None
    sent: str
    sentence: str


@dataclass(frozen=True, slots=True)
class IdentifyProgress:
    """The state of a search. `message`: why it was given up. `heard_keys`: what the page's keys
    said that was no number."""

    stage: Stage
    ports: tuple[PortHeard, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    shown: str | None = None
    heard_keys: str | None = None
    found: FoundCaliper | None = None
    seconds_left: int = 0
    message: str = ""


@dataclass(slots=True)
class _Run:
    """One search. `searches`: the ports that were there at the start, and each that came later.
    `known`: the places of all ports that were ever looked at."""

    leave_alone: frozenset[str]
    searches: list[PortSearch]
    known: set[str]
    left_out: list[LeftOut]
    ends: float
    looked_at: float
    ports: tuple[PortHeard, ...] = ()
    shown: str | None = None
    heard_keys: str | None = None
    found: FoundCaliper | None = None
    message: str = ""
    over: threading.Event = field(default_factory=threading.Event)
    thread: threading.Thread | None = None


def _typing() -> list[Found]:
    return typing_instruments(program())


class Identifying:
    """At most one search at a time. Safe to call from any thread.

    `serial_ports` gives the ports there are, `listened` those that are listened to already, which
    are left alone. `alone` and `longest`: seconds after which a search that nobody keeps going, or
    that finds nothing, releases its ports.
    """

    def __init__(
        self,
        serial_ports: Callable[[], Iterable[Found]],
        listened: Callable[[], Sequence[Listened]],
        alone: float = _ALONE_S,
        longest: float = _LONGEST_S,
        typing: Callable[[], Iterable[Found]] = _typing,
    ) -> None:
        self._serial_ports = serial_ports
        self._listened = listened
        self._typing = typing
        self._alone = alone
        self._longest = longest
        self._lock = threading.Lock()
        self._run: _Run | None = None

    def start(
        self,
        leave_alone: Iterable[str] = (),
        also: Iterable[Spec] = (),
        leave_alone_later: Iterable[str] = (),
        listen_to: Iterable[str] = (),
    ) -> IdentifyProgress:
        """Open and listen to every port but those of `leave_alone`, and to those of `also`.

        `leave_alone_later`: ports that may appear later, and are left alone then. `listen_to`:
        devices that type, taken from the system during the search. Raises OneUnderWay where a
        search is running already, UnknownPort where a name of `leave_alone` or `listen_to` is not
        a port or must not be taken; nothing is opened then.
        """
        leave_alone = list(leave_alone)
        with self._lock:
            if self._run is not None and not self._run.over.is_set():
                raise OneUnderWay
            now = time.monotonic()
            ends = now + self._longest
            given = [Found("serial", spec.target, str(spec), "") for spec in also]
            listen_to = list(listen_to)
            typing = list(self._typing()) if listen_to else []
            chosen = [each for each in typing if is_named(each, listen_to)]
            for name in unknown_names(listen_to, typing):
                raise UnknownPort(unknown_port_sentence(name, typing), "listen_to")
            why_not = why_not_taken(chosen)
            if why_not:
                raise UnknownPort(why_not, "listen_to")
            ports = [*given, *self._serial_ports(), *chosen]
            for name in unknown_names(leave_alone, ports):
                raise UnknownPort(unknown_port_sentence(name, ports))
            names = frozenset([*leave_alone, *leave_alone_later])
            run = _Run(names, [], set(), [], ends=ends, looked_at=now)
            self._open(run, ports)
            run.thread = threading.Thread(
                target=self._watch, args=(run,), name="identify", daemon=True
            )
            self._run = run
            run.thread.start()
        return self.keep()

    def keep(self) -> IdentifyProgress:
        """Go on listening: somebody still waits for it. Returns the progress."""
        with self._lock:
            if self._run is not None:
                self._run.looked_at = time.monotonic()
        return self.progress()

    def progress(self) -> IdentifyProgress:
        """What was heard until now; changes nothing."""
        with self._lock:
            run = self._run
            if run is None:
                return IdentifyProgress("none")
            stage: Stage = "listening"
            if run.found is not None:
                stage = "identified"
            elif run.over.is_set():
                stage = "given up"
            return IdentifyProgress(
                stage,
                run.ports if run.over.is_set() else _heard(run),
                tuple(run.left_out),
                run.shown,
                run.heard_keys,
                run.found,
                max(0, round(run.ends - time.monotonic())) if stage == "listening" else 0,
                run.message,
            )

    def shown(self, text: str) -> IdentifyProgress:
        """What the display shows, as "12.34 mm".

        Raises NoneUnderWay, and ValueError where number or unit is missing.
        """
        run = self._listening()
        parse_shown(text)
        with self._lock:
            run.shown = text
            for search in run.searches:
                search.shown(text)
        self._take(run)  # a press before the typing counts at once
        return self.keep()

    def keys(self, strokes: Sequence[Stroke]) -> IdentifyProgress:
        """A burst of keys that the page caught. Raises NoneUnderWay."""
        run = self._listening()
        typed = read_strokes(strokes)
        if isinstance(typed, NotUnderstood):
            run.heard_keys = f"{typed.text}: {typed.reason}"
            return self.keep()
        value = read_value(typed.text, _ANY_UNIT)
        if not isinstance(value, Value):
            run.heard_keys = f"{typed.text}: no number"
        elif not typed.burst:
            run.heard_keys = f"{typed.text}: typed by hand"
        else:
            sentence = (
                f"It types like a keyboard: {value.sent} came through this page's keys. There is"
                " nothing to set up; it is heard whenever the Bench page is in front."
            )
            self._end(run, found=FoundCaliper(None, value.sent, sentence))
        return self.keep()

    def cancel(self) -> None:
        """Release every port; nothing happens where none is under way."""
        with self._lock:
            run, self._run = self._run, None
        if run is not None:
            self._end(run)

    close = cancel

    def _open(self, run: _Run, ports: Iterable[Found]) -> None:
        """Listen to those of `ports` that are new, or say why not. Under the lock."""
        heard = {place_of(each.spec): each for each in self._listened()}
        candidates: list[Found] = []
        for found in ports:
            typing = found.kind != "serial"
            place = place_of(parse_spec(found.spec) if typing else Spec("serial", found.device))
            if place in run.known:
                continue
            run.known.add(place)
            if place in heard:
                each = heard[place]
                why = f"listened to already, as {each.name} on bench {each.bench}"
            elif is_named(found, run.leave_alone):
                why = "left alone, as you asked"
            elif found.missing:
                why = found.missing
            else:
                candidates.append(found)
                continue
            run.left_out.append(LeftOut(found.device, why))
        if candidates:
            listen_to = [each.device for each in candidates if each.kind != "serial"]
            search = PortSearch(candidates, listen_to=listen_to)
            if run.shown is not None:
                search.shown(run.shown)
            run.searches.append(search)
            search.start()

    def _listening(self) -> _Run:
        with self._lock:
            run = self._run
        if run is None or run.over.is_set():
            raise NoneUnderWay
        return run

    def _watch(self, run: _Run) -> None:
        looked = time.monotonic()
        while not run.over.wait(_TURN_S):
            self._take(run)
            now = time.monotonic()
            if now >= run.ends:
                minutes = f"{plain(self._longest / 60)}"
                self._end(run, message=f"nothing matched within {minutes} minutes")
            elif now - run.looked_at >= self._alone:
                self._end(run, message="the page that asked was closed")
            elif now - looked >= _LOOK_S:
                looked = now
                ports = list(self._serial_ports())
                with self._lock:
                    if not run.over.is_set():
                        self._open(run, ports)

    def _take(self, run: _Run) -> None:
        """End with the caliper that was found, if one was."""
        for search in tuple(run.searches):
            found = search.wait(0)
            if found is not None:
                self._end(run, found=FoundCaliper(found.spec, found.sent, found.sentence))

    def _end(self, run: _Run, found: FoundCaliper | None = None, message: str = "") -> None:
        """Release the ports; the first ending counts."""
        with self._lock:
            if run.over.is_set():
                return
            run.found, run.message, run.ports = found, message, _heard(run)
            run.over.set()
        for search in run.searches:
            search.stop()


def _heard(run: _Run) -> tuple[PortHeard, ...]:
    return tuple(each for search in run.searches for each in search.heard())
