"""A remote bench: time from press to answer, and how fast it catches up.

    python -m benchmarks.bench [--presses 200] [--backlog 5000]

Press to answer: a line's terminator is written to a pseudo-terminal; the clock stops when
the bench's line `kept ...` is read from its standard output, the commit in between. The
server can't be reached meanwhile. Beside it, in the same run and on the same disk: a
bare SQLite commit of the same row. Catching up: the server starts, and the clock runs until
the bench says that all is sent; beside it, as many rows of as many bytes put into one bare
SQLite file in batches of the same size.
"""

from __future__ import annotations

import argparse
import json
import sqlite3
import statistics
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from api.instruments.forward.queue import Queue
from tests.ptys import plugged
from tests.whole.serving import COMMAND, Serving, serving

_MOST_P99_S = 0.025
_BATCH = 200
# Faster than a person, slower than what is taken for a stream.
_PAUSE_S = 0.3


def report(name: str, seconds: list[float]) -> float:
    p99 = sorted(seconds)[min(len(seconds) - 1, int(0.99 * len(seconds)))]
    middle = statistics.median(seconds)
    print(f"{name:34s} median {middle * 1e3:6.2f} ms  p99 {p99 * 1e3:6.2f} ms")
    return p99


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


def _commits(folder: Path, count: int) -> list[float]:
    took = []
    with _bare(folder / "bare.sqlite") as store:
        for number in range(count):
            row = ("reading", json.dumps(_body(number)))
            time.sleep(_PAUSE_S)
            began = time.perf_counter()
            with store:
                store.execute("INSERT INTO said (kind, body) VALUES (?, ?)", row)
            took.append(time.perf_counter() - began)
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


def _presses(data: Path, url: str, count: int) -> list[float]:
    took = []
    with plugged() as port, _bench(data, url, f"serial:{port.target},unit=mm") as program:
        _read_to(program, "listening")
        for number in range(count):
            text = f"{10 + number % 9000 / 100:.2f}"
            time.sleep(_PAUSE_S)
            port.send(text.encode())
            time.sleep(0.01)  # the digits are there when their terminator comes, as on a wire
            began = time.perf_counter()
            port.send(b"\n")
            _read_to(program, f"kept {text} ")
            took.append(time.perf_counter() - began)
    return took


def _catch_up(folder: Path, server: Serving, backlog: int) -> None:
    queue = Queue(folder / "backlog" / "bench.sqlite")
    for number in range(backlog):
        queue.add("reading", _body(number))
    queue.close()
    words = [*COMMAND, "bench", "--to", server.url, "--data", str(folder / "backlog")]
    began = time.perf_counter()
    done = subprocess.run(
        [*words, "--caliper", "stdin:"], stdin=subprocess.DEVNULL, capture_output=True, text=True
    )
    took = time.perf_counter() - began
    assert done.stdout.endswith(f"sent {backlog:,} of {backlog:,}\n"), done
    with _bare(folder / "bare-backlog.sqlite") as store:
        began = time.perf_counter()
        for start in range(0, backlog, _BATCH):
            with store:
                store.executemany(
                    "INSERT INTO said (kind, body) VALUES ('reading', ?)",
                    [(json.dumps(_body(n)),) for n in range(start, min(start + _BATCH, backlog))],
                )
        bare = time.perf_counter() - began
    print(
        f"catching up {backlog:,} readings: {took:.1f} s, {backlog / took:,.0f} a second, the"
        f" program's start included; bare batches {backlog / bare:,.0f} a second;"
        f" ratio {took / bare:.0f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--presses", type=int, default=200)
    parser.add_argument("--backlog", type=int, default=5000)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with serving(folder / "shop") as server:
            _catch_up(folder, server, args.backlog)
            away = server.url
        bare = report("bare SQLite commit", _commits(folder, args.presses))
        p99 = report("press to kept, server away", _presses(folder / "queue", away, args.presses))
    print(
        f"p99, bench / bare commit: {p99 / bare:.1f}; at most {_MOST_P99_S * 1e3:.0f} ms wanted:"
        f" {'met' if p99 <= _MOST_P99_S else 'NOT met'}"
    )


if __name__ == "__main__":
    main()
