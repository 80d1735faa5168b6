"""The program as a whole: a press or a post until it is stored and told, a series asked for, start.

Press to event: a line's terminator is written to a pseudo-terminal; the clock stops when the
`reading` event arrives at a client of the live stream, after the commit. The minimal app does the
same with less (see `minimal_app`); the bare loop is pyserial and a commit by sqlite3, told to
nobody.
"""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any, TextIO

import serial

from api.store.stamps import new_id
from benchmarks.client import Client
from benchmarks.measuring import Measurement, Work, timed
from capture.pretend import PtyPort
from tests.ptys import plugged
from tests.whole.serving import COMMAND, Process, Serving, serving

TRIALS = 20
CLIENTS = 8


class MinimalServing(Serving):
    """The minimal app, served likewise."""

    def _program(self, words: list[str], log: TextIO) -> Process:
        at = words.index("--port")
        words = [*words[1:at], *words[at + 2 :]]  # always a free port
        command = [sys.executable, "-m", "benchmarks.minimal_app", *words]
        return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=log, text=True)


class Told:
    """A client of the live stream of bench main.

    last: the event that comes last after a press; the next press is not made before it.
    """

    def __init__(self, server: Serving, last: str) -> None:
        self._events = Client(server.url).events("/api/live?bench=main")
        self._last = last
        next(self._events)

    def __call__(self, text: str) -> None:
        self._wait(lambda kind, data: kind == "reading" and data["sent"] == text)

    def rest(self) -> None:
        if self._last:
            self._wait(lambda kind, _data: kind == self._last)

    def _wait(self, wanted: Callable[[str, Any], bool]) -> None:
        for kind, data in self._events:
            assert kind != "nothing", "a press was not told"
            if wanted(kind, data):
                return
        raise AssertionError("the live stream has ended")


class BareLoop:
    """pyserial and a commit by sqlite3, in a thread of this process."""

    def __init__(self, folder: Path) -> None:
        master, slave = os.openpty()
        tty.setraw(slave)
        self._master = master
        self._port = serial.Serial(os.ttyname(slave), timeout=0.1)
        self._store = sqlite3.connect(folder / "bare.sqlite", check_same_thread=False)
        self._store.execute("PRAGMA journal_mode=WAL")
        self._store.execute("PRAGMA synchronous=FULL")
        self._store.execute("CREATE TABLE said (text)")
        self._done, self._over = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._listen)
        self._thread.start()

    def _listen(self) -> None:
        line = b""
        while not self._over.is_set():
            line += self._port.read_until(b"\n")
            if line.endswith(b"\n"):
                with self._store:
                    self._store.execute("INSERT INTO said VALUES (?)", (line,))
                line = b""
                self._done.set()

    def send(self, data: bytes) -> None:
        os.write(self._master, data)

    def __call__(self, _text: str) -> None:
        self._done.wait()
        self._done.clear()

    def rest(self) -> None: ...

    def close(self) -> None:
        self._over.set()
        self._thread.join()
        self._port.close()
        self._store.close()


def text_of(number: int) -> str:
    """A length in mm; the fence end and the open end of strips in turn."""
    return f"{12 + number % 2 * 0.1 + number % 37 / 100:.2f}"


def presses(port: PtyPort | BareLoop, told: Told | BareLoop, count: int) -> list[float]:
    """ms from a line's terminator until it is told."""
    took = []
    for number in range(count):
        text = text_of(number)
        port.send(text.encode())
        began = time.perf_counter()
        port.send(b"\n")
        told(text)
        took.append(1e3 * (time.perf_counter() - began))
        told.rest()
    return took


def press_to_event(
    program: Serving, minimal: Serving, ports: list[PtyPort], bare: BareLoop, count: int
) -> Measurement:
    told, told_by_minimal = Told(program, "score"), Told(minimal, "")

    def pressed() -> list[float]:
        program.start_series()
        return presses(ports[0], told, count)

    return Measurement(
        "a line on a port until its event, committed",
        "ms",
        pressed,
        {
            "bare pyserial loop and commit": lambda: presses(bare, bare, count),
            "minimal app": lambda: presses(ports[1], told_by_minimal, count),
        },
        tails=True,
    )


def bodies(bench: str, many: int, count: int) -> list[bytes]:
    """Bodies of new readings of a bench."""
    now = datetime.now(UTC).isoformat()
    usual = {"bench": bench, "caliper": "six-inch", "unit": "mm", "taken_at": now}
    return [
        json.dumps(
            [usual | {"id": str(new_id()), "sent": text_of(number)} for number in range(many)]
        ).encode()
        for _ in range(count)
    ]


def posts(program: Serving, minimal: Serving, count: int) -> Iterator[Measurement]:
    def posted(server: Serving, many: int) -> list[float]:
        if server is program:
            program.start_series(bench="posts")
        each = iter(bodies("posts", many, count))
        # A new one each round: servers close a connection that nothing was asked on for 5 s.
        with closing(Client(server.url)) as client:
            return timed(lambda: client.post("/api/readings", next(each)), "ms", count)()

    for many in (1, 100):
        yield Measurement(
            f"POST of {many} reading{'s' if many > 1 else ''}, kept connection",
            "ms",
            partial(posted, program, many),
            {"minimal app": partial(posted, minimal, many)},
            tails=many == 1,
        )


def series(program: Serving, minimal: Serving, count: int) -> Iterator[Measurement]:
    [body] = bodies("series", 2 * TRIALS, 1)
    started = program.start_series(bench="series")
    where = {program.url: f"/api/series/{started}", minimal.url: "/api/series/series"}
    for url, path in where.items():
        with closing(Client(url)) as client:
            client.post("/api/readings", body)
            assert client.get(path).count(b'"sent"') == 2 * TRIALS

    def asked(url: str, clients: int) -> list[float]:
        """ms an answer, of several clients that ask at once."""
        each = count // clients
        with ExitStack() as stack:
            kept = [stack.enter_context(closing(Client(url))) for _ in range(clients)]
            pool = stack.enter_context(ThreadPoolExecutor(clients))

            def ask(client: Client) -> None:
                for _ in range(each):
                    client.get(where[url])

            [took] = timed(lambda: list(pool.map(ask, kept)), "ms")()
        return [took / (each * clients)]

    for clients in (1, CLIENTS):
        yield Measurement(
            f"GET of a series of {TRIALS} trials, {clients} client{'s' if clients > 1 else ''}",
            "ms an answer",
            partial(asked, program.url, clients),
            {"minimal app, 40 rows": partial(asked, minimal.url, clients)},
        )


def starts(folder: Path) -> Iterator[Measurement]:
    def started() -> None:
        with serving(folder / "started"):
            pass

    def minimal_started() -> None:
        with serving(folder / "minimal-started", kind=MinimalServing):
            pass

    yield Measurement(
        "start of serve until ready",
        "s",
        timed(started, "s"),
        {"minimal app": timed(minimal_started, "s")},
    )

    def command(*words: str) -> Work:
        return timed(lambda: subprocess.run(words, stdout=subprocess.DEVNULL, check=True), "s")

    yield Measurement(
        "bothends --help",
        "s",
        command(*COMMAND, "--help"),
        {"python -c pass": command(sys.executable, "-c", "pass")},
    )


def measurements(short: bool) -> Iterator[Measurement]:
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        yield from starts(folder)
        ports = [stack.enter_context(plugged()) for _ in range(2)]
        words = ("--caliper", f"serial:{ports[0].target},unit=mm")
        program = stack.enter_context(serving(folder / "program", *words))
        words = ("--caliper", ports[1].target)
        minimal = stack.enter_context(serving(folder / "minimal", *words, kind=MinimalServing))
        bare = stack.enter_context(closing(BareLoop(folder)))
        program.calipers_listen()
        yield press_to_event(program, minimal, ports, bare, 20 if short else 200)
        yield from posts(program, minimal, 10 if short else 100)
        yield from series(program, minimal, 16 if short else 200)
