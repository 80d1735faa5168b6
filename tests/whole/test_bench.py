"""A bench away from its server: nothing lost, nothing twice, nothing out of order."""

from __future__ import annotations

import random
import re
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.ptys import plugged, until
from tests.whole.serving import COMMAND, Serving, serving


class BenchProgram:
    """`bothends bench`, its lines going to a file."""

    def __init__(self, folder: Path, url: str, *specs: str) -> None:
        self.output = folder / "bench.log"
        self._command = [*COMMAND, "bench", "--to", url, "--data", str(folder / "queue")]
        self._command += [word for spec in specs for word in ("--caliper", spec)]
        self.start()

    def start(self) -> None:
        with self.output.open("a") as log:
            self.process = subprocess.Popen(self._command, stdout=log, stderr=log)

    def said(self, words: str) -> bool:
        return until(lambda: words in self.output.read_text(), 30)

    def kept(self) -> int:
        return len(re.findall(r"^kept ", self.output.read_text(), re.MULTILINE))

    def stop(self) -> int:
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(15)


@contextmanager
def bench_program(folder: Path, url: str, *specs: str) -> Iterator[BenchProgram]:
    program = BenchProgram(folder, url, *specs)
    try:
        yield program
    finally:
        program.process.kill()
        program.process.wait()


def _sent(server: Serving, series: str) -> list[str]:
    return [text for trial in server.trials(series) for text in trial]


def _texts(count: int, start: int = 0) -> list[str]:
    return [f"{10 + n / 100:.2f}" for n in range(start, start + count)]


def test_readings_reach_the_server_and_a_wrong_line_is_told_there(tmp_path):
    with plugged() as port, serving(tmp_path / "shop") as server:
        series = server.start_series(bench="back-room")
        spec = f"serial:{port.target},unit=mm,name=six-inch,bench=back-room"
        with bench_program(tmp_path, server.url, spec) as program:
            assert program.said("six-inch: listening")
            port.send(b"12.30\r\n")
            assert program.said("kept 12.30 (mm) from six-inch")
            port.send(b"Err 7\r\n12.40\r\n")
            assert program.said("not understood 'Err 7'")
            assert until(lambda: _sent(server, series) == ["12.30", "12.40"])
            (caliper,) = server.get("/api/health")["calipers"]
            assert (caliper["name"], caliper["bench"]) == ("six-inch", "back-room")
            with server.client.stream("GET", "/api/live?bench=back-room&after=0") as events:
                refused = next(x for x in events.iter_lines() if '"reason"' in x)
            assert "Err 7" in refused
            assert program.stop() == 0
            assert program.said("sent 3 of 3")


def test_a_bench_works_for_days_without_its_server_and_then_catches_up(tmp_path):
    texts = _texts(60)
    with plugged() as port, serving(tmp_path / "shop") as server:
        series = server.start_series()
        with bench_program(
            tmp_path, server.url, f"serial:{port.target},unit=mm,name=six-inch"
        ) as program:
            assert program.said("listening")
            where = server.port
            server.kill()
            for number, text in enumerate(texts, 1):
                if number == 30:
                    # A power cut at the bench: what was answered is in its queue.
                    program.process.kill()
                    program.process.wait()
                    program.start()
                    assert until(lambda: program.output.read_text().count("listening") == 2)
                port.send(f"{text}\r\n".encode())
                assert until(lambda n=number: program.kept() == n)
            assert program.said("can't be reached")
            server.start(where)
            assert until(lambda: _sent(server, series) == texts, 40)
            assert program.said("sent 60 of 60")


def test_what_the_server_will_never_take_stays_at_the_bench_and_stops_nothing(tmp_path):
    from api.forwarding import Forwarder, Queue

    with serving(tmp_path / "shop") as server:
        series = server.start_series()
        queue = Queue(tmp_path / "queue.sqlite")
        good = {"bench": "main", "caliper": "x", "unit": "mm", "taken_at": "2026-03-02T12:00:00Z"}
        for number, sent in enumerate(["12.30", "", "12.40"]):
            body = {"id": f"00000000-0000-7000-8000-{number:012d}", "sent": sent}
            queue.add("reading", good | body)
        forwarder = Forwarder(queue, server.url, lambda *_: None)
        forwarder.start()
        assert until(lambda: queue.progress().sent == 3)
        forwarder.stop()
        assert str(queue.progress()) == "sent 3 of 3, 1 refused by the server"
        queue.close()
        assert _sent(server, series) == ["12.30", "12.40"]


@pytest.mark.timeout(400)
def test_a_server_killed_a_hundred_times_gets_every_reading_once_and_in_order(tmp_path):
    chance = random.Random(100)
    with plugged() as port, serving(tmp_path / "shop") as server:
        series = server.start_series()
        where = server.port
        with bench_program(
            tmp_path, server.url, f"serial:{port.target},unit=mm,name=six-inch"
        ) as program:
            assert program.said("listening")
            texts: list[str] = []
            for _ in range(100):
                so_far = len(texts)
                fresh = _texts(chance.randint(1, 3), so_far)
                texts += fresh
                for text in fresh:
                    port.send(f"{text}\r\n".encode())
                if chance.random() < 0.5:
                    # Now and then well after the hand-over, else in the middle of it.
                    assert until(lambda n=so_far: program.kept() >= n)
                server.kill()
                server.start(where)
            assert until(lambda: program.kept() == len(texts))
            assert until(lambda: _sent(server, series) == texts, 60)
    assert len(texts) > 150


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--to", "shop", "--caliper", "stdin:"], "http://shop.local:8017"),
        (["--to", "http://x", "--caliper", "cereal:x"], "serial"),
        (["--to", "http://x"], "--caliper"),
    ],
)
def test_a_wrong_option_is_said(tmp_path, options, says):
    done = subprocess.run(
        [*COMMAND, "bench", "--data", str(tmp_path), *options],
        capture_output=True,
        text=True,
        timeout=30,
    )
    assert done.returncode == 2
    assert says in done.stderr
    assert "Traceback" not in done.stderr
