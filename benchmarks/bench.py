"""A remote bench: time from press to answer, and how fast it catches up.

Press to answer: a line's terminator is written to a pseudo-terminal; the clock stops when
the bench's line `kept ...` is read from its standard output, the commit in between. The
server can't be reached meanwhile. Beside it, on the same disk: a bare SQLite commit of the same
row. Catching up: a bench starts with a backlog, and the clock runs until it has ended and said
that all is sent; beside it, as many rows of as many bytes put into one bare SQLite file in
batches of the same size.
"""

from __future__ import annotations

import json
import sqlite3
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from functools import partial
from pathlib import Path

from api.instruments.forward.queue import Queue
from benchmarks.measuring import Measurement
from capture.pretend import PtyPort
from tests.ptys import plugged
from tests.whole.serving import COMMAND, serving

_BATCH = 200
# Faster than a person, slower than what is taken for a stream.
_PAUSE_S = 0.3


def _body(number: int) -> dict[str, object]:
    return {
        "id": f"01990000-0000-7000-8000-{number:012d}",
        "bench": "saw",
        "caliper": "six-inch",
        "sent": f"{10 + number % 9000 / 100:.2f}",
        "unit": "mm",
        "nm": (1000 + number % 9000) * 10_000,
        "taken_at": "2026-03-02T12:00:00+00:00",
        "origin": "button",
        "since_previous_ms": 4000,
        "late": False,
    }


@contextmanager
def _bare(path: Path) -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(path)) as store:
        store.execute("PRAGMA journal_mode=WAL")
        store.execute("PRAGMA synchronous=FULL")
        store.execute("CREATE TABLE said (seq INTEGER PRIMARY KEY, kind TEXT, body TEXT)")
        yield store


def _commits(store: sqlite3.Connection, count: int) -> list[float]:
    took = []
    for number in range(count):
        row = ("reading", json.dumps(_body(number)))
        time.sleep(_PAUSE_S)
        began = time.perf_counter()
        with store:
            store.execute("INSERT INTO said (kind, body) VALUES (?, ?)", row)
        took.append(1e3 * (time.perf_counter() - began))
    return took


@contextmanager
def _bench(data: Path, url: str, spec: str) -> Iterator[subprocess.Popen[str]]:
    words = [*COMMAND, "bench", "--to", url, "--data", str(data), "--bench", "saw"]
    with subprocess.Popen(
        [*words, "--caliper", spec], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ) as program:
        try:
            yield program
        finally:
            program.kill()


def _read_to(program: subprocess.Popen[str], words: str) -> None:
    assert program.stdout is not None
    while words not in (line := program.stdout.readline()):
        assert line, f"the bench ended before {words!r}"


def _presses(port: PtyPort, program: subprocess.Popen[str], count: int) -> list[float]:
    took = []
    for number in range(count):
        text = f"{10 + number % 9000 / 100:.2f}"
        time.sleep(_PAUSE_S)
        port.send(text.encode())
        time.sleep(0.01)  # the digits are there when their terminator comes, as on a wire
        began = time.perf_counter()
        port.send(b"\n")
        _read_to(program, f"kept {text} ")
        took.append(1e3 * (time.perf_counter() - began))
    return took


class _Backlogs:
    """Backlogs of a size, each with readings of its own."""

    def __init__(self, folder: Path, url: str, size: int) -> None:
        self._folder, self._url, self._size = folder, url, size
        self._made = 0

    def _bodies(self) -> list[dict[str, object]]:
        self._made += 1
        return [_body(self._made * self._size + number) for number in range(self._size)]

    def caught_up(self) -> list[float]:
        """s from the start of the program until it says that all is sent."""
        with tempfile.TemporaryDirectory(dir=self._folder) as data:
            queue = Queue(Path(data) / "bench.sqlite")
            for body in self._bodies():
                queue.add("reading", body)
            queue.close()
            words = [*COMMAND, "bench", "--to", self._url, "--data", data, "--caliper", "stdin:"]
            began = time.perf_counter()
            done = subprocess.run(words, stdin=subprocess.DEVNULL, capture_output=True, text=True)
            took = time.perf_counter() - began
            assert done.stdout.endswith(f"sent {self._size:,} of {self._size:,}\n"), done
        return [took]

    def stored(self, store: sqlite3.Connection) -> list[float]:
        bodies = self._bodies()
        began = time.perf_counter()
        for start in range(0, self._size, _BATCH):
            rows = [(json.dumps(body),) for body in bodies[start : start + _BATCH]]
            with store:
                store.executemany("INSERT INTO said (kind, body) VALUES ('reading', ?)", rows)
        return [time.perf_counter() - began]


def measurements(short: bool) -> Iterator[Measurement]:
    count, size = (4, 200) if short else (40, 5000)
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        bare = stack.enter_context(_bare(folder / "bare.sqlite"))
        with serving(folder / "shop") as server:
            backlogs = _Backlogs(folder, server.url, size)
            yield Measurement(
                f"a bench sends {size:,} waiting readings, its start included",
                "s",
                backlogs.caught_up,
                {"bare batches of rows": partial(backlogs.stored, bare)},
            )
            away = server.url
        port = stack.enter_context(plugged())
        spec = f"serial:{port.target},unit=mm"
        program = stack.enter_context(_bench(folder / "queue", away, spec))
        _read_to(program, "listening")
        yield Measurement(
            "press at a bench until kept, server away",
            "ms",
            partial(_presses, port, program, count),
            {"bare commit": partial(_commits, bare, count)},
            tails=True,
        )
