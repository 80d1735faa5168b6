"""Live events with many readers of one bench; the end of `serve` with more; what a reading leaves.

A process of its own holds the readers' sockets. A press is a line on a pseudo-terminal, twice a
second; the clock stops when the last reader has its `reading` event. The baseline is a bare asyncio
server that sends the same bytes to as many readers when it gets a line. Then: how soon `serve` ends
on SIGTERM with more readers; and by how much it grows for each reading of many short series.
"""

from __future__ import annotations

import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from benchmarks.measuring import Measurement, Work, memory
from tests.ptys import plugged
from tests.whole.serving import serving

_PERIOD_S = 0.5

# Holds the readers: says `ready` when all have their answer's head; then for each word on a line,
# the moment at which the last of them got it; `closed` when all connections have ended.
_READERS = """
import asyncio, sys, time

async def main(port, count, path):
    had, ended, now = {}, asyncio.Event(), asyncio.Event()
    opened = closed = 0
    word = b"retry"

    class Reader(asyncio.Protocol):
        def connection_made(self, transport):
            self.tail = b""
            transport.write(f"GET {path} HTTP/1.1\\r\\nHost: 127.0.0.1:{port}\\r\\n\\r\\n".encode())

        def data_received(self, data):
            text = self.tail + data
            if word in text:
                had[self] = time.monotonic()
                if len(had) == count:
                    now.set()
            self.tail = text[-200:]

        def connection_lost(self, error):
            nonlocal closed
            closed += 1
            if closed == count:
                ended.set()

    loop = asyncio.get_running_loop()
    for _ in range(count):
        await loop.create_connection(Reader, "127.0.0.1", port)
    await now.wait()
    print("ready", flush=True)
    lines = asyncio.StreamReader()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(lines), sys.stdin)
    while line := (await lines.readline()).strip():
        if line == b"end":
            await ended.wait()
            print(time.monotonic(), flush=True)
            continue
        had.clear()
        now.clear()
        word = line
        print("waiting", flush=True)
        await now.wait()
        print(max(had.values()), flush=True)

asyncio.run(main(int(sys.argv[1]), int(sys.argv[2]), sys.argv[3]))
"""

# Sends what its first argument holds to every reader, with the word of a line in it.
_BARE = """
import asyncio, sys

async def main(template):
    readers = []

    class Connection(asyncio.Protocol):
        def connection_made(self, transport):
            self.transport = transport

        def data_received(self, data):
            self.transport.write(
                b"HTTP/1.1 200 OK\\r\\nContent-Type: text/event-stream\\r\\n\\r\\nretry: 1000\\n\\n"
            )
            readers.append(self.transport)

    loop = asyncio.get_running_loop()
    server = await loop.create_server(Connection, "127.0.0.1", 0)
    print(server.sockets[0].getsockname()[1], flush=True)
    lines = asyncio.StreamReader()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(lines), sys.stdin)
    while line := (await lines.readline()).strip():
        for chunk in template.split(b"|||"):
            text = chunk.replace(b"WORD", line)
            for transport in readers:
                transport.write(text)

asyncio.run(main(sys.argv[1].encode()))
"""


class _Child:
    """A Python program that is spoken to in lines."""

    def __init__(self, program: str, *words: str) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", program, *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
        )
        self.pid = self._process.pid

    def say(self, line: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(f"{line}\n")

    def hear(self) -> str:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        assert line, "the program ended"
        return line.strip()

    def close(self) -> None:
        self._process.kill()
        self._process.communicate()


@contextmanager
def _readers(port: int, count: int, path: str = "/api/live?bench=main") -> Iterator[_Child]:
    with closing(_Child(_READERS, str(port), str(count), path)) as child:
        assert child.hear() == "ready"
        yield child


@dataclass(frozen=True)
class Told:
    """Seconds from each press to the last reader, and the share of a core meanwhile."""

    seconds: list[float]
    core: float


def _used(pid: int) -> float:
    """Seconds of a processor that the threads of a process have used."""
    threads = Path(f"/proc/{pid}/task").iterdir()
    return sum(int((each / "schedstat").read_text().split()[0]) for each in threads) / 1e9


def _told(readers: _Child, pid: int, presses: int, press: Callable[[str, str], None]) -> Told:
    """`press(sent, word)` makes what the readers know by `word`."""
    took = []
    began, used = time.monotonic(), _used(pid)
    for number in range(presses):
        sent = f"{10 + number % 9000 / 100:.2f}"
        word = f'"sent":"{sent}"'
        readers.say(word)
        assert readers.hear() == "waiting"
        time.sleep(max(0.0, began + number * _PERIOD_S - time.monotonic()))
        pressed = time.monotonic()
        press(sent, word)
        took.append(float(readers.hear()) - pressed)
    return Told(took, (_used(pid) - used) / (time.monotonic() - began))


def program(folder: Path, readers: int, presses: int) -> tuple[Told, str]:
    """The program's own figures, and what it sent for one press."""
    with (
        plugged() as port,
        serving(folder / "shop", "--caliper", f"serial:{port.target},unit=mm") as server,
    ):
        server.start_series()
        server.calipers_listen()
        with server.client.stream("GET", "/api/live?bench=main") as events:
            lines = events.iter_lines()
            next(lines)
            port.send(b"9.00\n")
            heard: list[str] = []
            while not (heard and heard[-1].startswith("data") and "score" in heard[-2]):
                heard.append(next(lines))
        with _readers(server.port, readers) as children:
            told = _told(
                children,
                server.process.pid,
                presses,
                lambda sent, _: port.send(f"{sent}\n".encode()),
            )
    text = "\n".join(heard[next(i for i, line in enumerate(heard) if line.startswith("id")) :])
    first, score = text.replace('"sent":"9.00"', "WORD", 1).rsplit("\nid: ", 1)
    return told, f"{first}\n|||id: {score}\n\n"


def bare(readers: int, presses: int, template: str) -> Told:
    """The same bytes from a loop that does nothing else."""
    with (
        closing(_Child(_BARE, template)) as server,
        _readers(int(server.hear()), readers) as children,
    ):
        return _told(children, server.pid, presses, lambda _, word: server.say(word))


def stops(folder: Path, readers: int) -> float:
    """Seconds from SIGTERM to the end of `serve`, all readers' connections closed."""
    with serving(folder / "stop") as server, _readers(server.port, readers) as children:
        children.say("end")
        began = time.monotonic()
        status = server.stop(signal.SIGTERM)
        took = time.monotonic() - began
        children.hear()
        assert status == 0, server.log.read_text()
        assert not server.log.read_text(), server.log.read_text()
    return took


def grows(folder: Path, readings: int, a_series: int = 40) -> float:
    """Bytes by which `serve` grows a reading, once warm: many short series, and two readers."""
    with serving(folder / "grows") as server, _readers(server.port, 2):

        def press(first: int) -> int:
            for start in range(first, first + readings, a_series):
                server.start_series()
                server.post("/api/readings", [_body(start + n) for n in range(a_series)])
            return memory(server.process.pid)

        before = press(0)
        return (press(readings) - before) / readings


def _body(number: int) -> dict[str, str]:
    return {
        "id": f"01990000-0000-7000-8000-{number:012d}",
        "bench": "main",
        "caliper": "six-inch",
        "sent": f"{10 + number % 9000 / 100:.2f}",
        "unit": "mm",
        "taken_at": "2026-03-02T12:00:00Z",
    }


class _Round:
    """Rounds of the program and of the bare server, with the same bytes.

    cores: the share of a core that each took in its latest round, in percent.
    """

    def __init__(self, folder: Path, readers: int, presses: int) -> None:
        self._folder, self._readers, self._presses = folder, readers, presses
        self._template = ""
        self.cores = {"program": 0.0, "bare": 0.0}

    def program(self) -> list[float]:
        folder = Path(tempfile.mkdtemp(dir=self._folder))
        told, self._template = program(folder, self._readers, self._presses)
        self.cores["program"] = 100 * told.core
        return [1e3 * seconds for seconds in told.seconds]

    def bare(self) -> list[float]:
        told = bare(self._readers, self._presses, self._template)
        self.cores["bare"] = 100 * told.core
        return [1e3 * seconds for seconds in told.seconds]

    def core(self, of: str) -> Work:
        return lambda: [self.cores[of]]


def measurements(short: bool) -> Iterator[Measurement]:
    readers, most = (20, 50) if short else (200, 500)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        rounds = _Round(folder, readers, 4 if short else 40)
        yield Measurement(
            f"a press until the last of {readers} readers has it",
            "ms",
            rounds.program,
            {"bare asyncio, the same bytes": rounds.bare},
            tails=not short,
        )
        yield Measurement(
            f"{readers} readers, 2 presses/s: processor",
            "% of a core",
            rounds.core("program"),
            {"bare asyncio, the same bytes": rounds.core("bare")},
            rounds=1,
        )
        yield Measurement(
            f"SIGTERM until the end, {most} readers",
            "s",
            lambda: [stops(Path(tempfile.mkdtemp(dir=folder)), most)],
        )
        yield Measurement(
            "memory left by a reading, many series",
            "bytes",
            lambda: [grows(Path(tempfile.mkdtemp(dir=folder)), 400 if short else 8000)],
            rounds=1,
        )
