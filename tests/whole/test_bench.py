"""A bench away from its server: nothing lost, nothing twice, nothing out of order."""

from __future__ import annotations

import os
import random
import re
import select
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.ptys import PATIENCE_S, plugged, until
from tests.whole.forked import serving
from tests.whole.serving import COMMAND, Serving


def command(folder: Path, url: str, *specs: str) -> list[str]:
    words = [*COMMAND, "bench", "--to", url, "--data", str(folder / "queue")]
    return words + [word for spec in specs for word in ("--caliper", spec)]


class BenchProgram:
    """`bothends bench`, its lines going to a file."""

    def __init__(self, folder: Path, url: str, *specs: str) -> None:
        self.output = folder / "bench.log"
        self._command = command(folder, url, *specs)
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
        return self.process.wait(PATIENCE_S)


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
            assert abs(server.get("/api/benches/back-room")["clock_behind_ms"]) < 60_000
            assert program.stop() == 0
            assert program.said("sent 3 of 3")


def test_what_the_server_asks_is_heard_at_the_bench_and_answered_there(tmp_path):
    """Three bells; the right one, pressed then, takes its place."""
    with plugged() as port, serving(tmp_path / "shop") as server:
        series = server.start_series()
        spec = f"serial:{port.target},unit=mm,name=six-inch"
        screen, terminal = os.openpty()
        words = command(tmp_path, server.url, spec)
        program = subprocess.Popen(words, stdout=terminal, stderr=terminal, close_fds=True)
        shown = b""

        def says(text: bytes) -> bool:
            nonlocal shown
            while select.select([screen], [], [], 0)[0]:
                shown += os.read(screen, 4096)
            return text in shown

        try:
            assert until(lambda: says(b"six-inch: listening"))
            for sent in (b"11.40", b"11.44", b"11.52", b"11.55"):
                port.send(sent + b"\r\n")
                assert until(lambda sent=sent: says(b"kept %s (mm) from six-inch\a\r\n" % sent))
            asked = b"kept 114.20 (mm) from six-inch, does not count yet: 114.20? The last strips"
            for told in range(1, 10):
                port.send(b"114.20\r\n")
                assert until(lambda told=told: says(b"114.20") and shown.count(b"kept 114") == told)
                if asked in shown:
                    break
                # A busy machine took more than two seconds: it was told as kept.
                port.send(b"0.00\r\n")
            assert until(lambda: says(b"Measure it again.\a\a\a\r\n"))
            port.send(b"11.42\r\n")
            assert until(lambda: says(b"kept 11.42 (mm) from six-inch\a\r\n"))
            assert until(lambda: _sent(server, series)[4:] == ["11.42"])
            # What waited here while the server was away is not asked about, but for the last.
            where = server.port
            server.kill()
            for sent in (b"114.30", b"11.43", b"1.14"):
                port.send(sent + b"\r\n")
                assert until(lambda sent=sent: says(b"kept %s (mm) from six-inch\a\r\n" % sent))
            server.start(where)
            bench = "/api/benches/main"
            assert until(lambda: (server.get(bench)["awaiting"] or {}).get("sent") == "1.14")
            assert _sent(server, series)[5:] == ["114.30", "11.43"]
            program.send_signal(signal.SIGTERM)
            assert program.wait(PATIENCE_S) == 0
        finally:
            program.kill()
            program.wait()
            os.close(screen)
            os.close(terminal)


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
    from api.instruments.forward.forwarder import Forwarder
    from api.instruments.forward.queue import Queue

    with serving(tmp_path / "shop") as server:
        series = server.start_series()
        queue = Queue(tmp_path / "queue.sqlite")
        good = {"bench": "main", "caliper": "x", "unit": "mm", "taken_at": "2026-03-02T12:00:00Z"}
        for number, sent in enumerate(["12.30", "", "12.40"]):
            body = {"id": f"00000000-0000-7000-8000-{number:012d}", "sent": sent}
            queue.add("reading", good | body)
        refused = []
        forwarder = Forwarder(
            queue,
            server.url,
            states=lambda: (),
            changed=lambda *_: None,
            refused=lambda item, why: refused.append(f"{item}: {why}"),
        )
        forwarder.start()
        assert until(lambda: queue.progress().sent == 3)
        forwarder.stop()
        assert str(queue.progress()) == "sent 3 of 3, 1 refused by the server"
        queue.close()
        assert _sent(server, series) == ["12.30", "12.40"]
        (told,) = refused
        assert told.startswith("'' from x: sent: ")


@pytest.mark.timeout(300)
def test_a_server_killed_again_and_again_gets_every_reading_once_and_in_order(tmp_path):
    """`python -m tests.faults` goes on for as long as wanted."""
    chance = random.Random(100)
    with plugged() as port, serving(tmp_path / "shop") as server:
        series = server.start_series()
        where = server.port
        with bench_program(
            tmp_path, server.url, f"serial:{port.target},unit=mm,name=six-inch"
        ) as program:
            assert program.said("listening")
            texts: list[str] = []
            for _ in range(6):
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
    assert len(texts) > 8


def _run(words: list[str], said: str = "", **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        words,
        input=said,
        capture_output=True,
        text=True,
        encoding="utf-8",
        env=os.environ | environment,
        timeout=60,
    )


def _buffered() -> dict[str, str]:
    """Python complains at the exit of lines left in a buffer, unless they are dealt with."""
    return {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}


def test_lines_from_a_file_are_handed_over_to_the_last_and_the_program_ends(tmp_path):
    texts = _texts(3000)
    with serving(tmp_path / "shop") as server:
        series = server.start_series()
        words = command(tmp_path, server.url, "stdin:,unit=mm")
        done = _run(words, "".join(f"{text}\n" for text in texts))
        assert done.returncode == 0, done.stderr
        assert done.stderr == ""
        assert len(re.findall(r"^kept ", done.stdout, re.MULTILINE)) == 3000
        assert done.stdout.endswith("sent 3,000 of 3,000\n")
        assert _sent(server, series) == texts


def test_lines_from_a_file_wait_for_a_server_that_is_away_and_that_is_said(tmp_path):
    with serving(tmp_path / "shop") as server:
        series = server.start_series()
        words = command(tmp_path, server.url, "stdin:,unit=mm")
        where = server.port
        server.kill()
        done = _run(words, "12.30\n12.40\n")
        assert done.returncode == 1
        assert "2 wait here for the server" in done.stderr
        server.start(where)
        assert _run(words).returncode == 0
        assert _sent(server, series) == ["12.30", "12.40"]


def test_a_reader_of_the_lines_who_goes_away_costs_no_reading_and_doubles_none(tmp_path):
    with plugged() as port, serving(tmp_path / "shop") as server:
        series = server.start_series()
        words = command(tmp_path, server.url, f"serial:{port.target},unit=mm,name=six-inch")
        with (tmp_path / "errors").open("w+") as errors:
            program = subprocess.Popen(
                words, stdout=subprocess.PIPE, stderr=errors, text=True, env=_buffered()
            )
            try:
                assert program.stdout is not None
                while "listening" not in program.stdout.readline():
                    pass
                program.stdout.close()
                for number, text in enumerate(_texts(6), 1):
                    port.send(f"{text}\r\n".encode())
                    assert until(lambda n=number: len(_sent(server, series)) == n)
                program.send_signal(signal.SIGTERM)
                assert program.wait(PATIENCE_S) == 0
            finally:
                program.kill()
                program.wait()
            errors.seek(0)
            assert errors.read() == ""
        assert _sent(server, series) == _texts(6)


def test_a_terminal_without_the_letters_of_a_name_costs_no_reading(tmp_path):
    with serving(tmp_path / "shop") as server:
        series = server.start_series()
        words = command(tmp_path, server.url, "stdin:,unit=mm,name=Bügel")
        done = _run(words, "12.30\n12.40\n", PYTHONIOENCODING="ascii")
        assert (done.returncode, done.stderr) == (0, "")
        assert "kept 12.40 (mm) from B\\xfcgel\n" in done.stdout
        assert _sent(server, series) == ["12.30", "12.40"]


@pytest.mark.skipif(sys.platform != "linux", reason="needs /dev/full, which Linux has")
def test_lines_that_a_full_disk_will_not_take_cost_no_reading(tmp_path):
    with serving(tmp_path / "shop") as server, Path("/dev/full").open("w") as full:
        series = server.start_series()
        words = command(tmp_path, server.url, "stdin:,unit=mm")
        done = subprocess.run(
            words,
            input=b"12.30\n12.40\n",
            stdout=full,
            stderr=subprocess.PIPE,
            env=_buffered(),
            timeout=60,
        )
        assert (done.returncode, done.stderr) == (0, b"")
        assert _sent(server, series) == ["12.30", "12.40"]


@pytest.mark.skipif(sys.platform != "linux", reason="needs prlimit, which Linux has")
def test_a_full_disk_holds_things_up_until_there_is_room_and_no_longer(tmp_path):
    import resource

    with plugged() as port, serving(tmp_path / "shop") as server:
        series = server.start_series()
        spec = f"serial:{port.target},unit=mm,name=six-inch"
        with bench_program(tmp_path, server.url, spec) as program:
            assert program.said("listening")
            where = server.port
            server.kill()
            port.send(b"12.30\r\n")
            assert program.said("kept 12.30")
            assert program.said("can't be reached")
            # No file of the program can grow past this: what is written fails, as on a full
            # disk. (Its own lines still fit.)
            pid, grown = program.process.pid, resource.RLIMIT_FSIZE
            room = (tmp_path / "queue" / "bench.sqlite-wal").stat().st_size
            assert program.output.stat().st_size + 4000 < room
            before = resource.prlimit(pid, grown, (room, resource.RLIM_INFINITY))
            port.send(b"12.40\r\n")
            assert program.said("readings wait in memory, since the storage fails")
            server.start(where)
            assert program.said("the queue on this machine's disk fails")
            assert program.kept() == 1
            resource.prlimit(pid, grown, before)
            assert program.said("kept 12.40")
            assert until(lambda: _sent(server, series) == ["12.30", "12.40"], 40)
            assert program.said("sent 2 of 2")
            assert program.stop() == 0


def test_what_the_queue_would_not_take_until_the_end_is_said_at_the_end(tmp_path):
    with plugged() as port:
        # Nobody listens there.
        spec = f"serial:{port.target},unit=mm,name=six-inch"
        with bench_program(tmp_path, "http://127.0.0.1:9", spec) as program:
            assert program.said("listening")
            port.send(b"12.30\r\n")
            assert program.said("kept 12.30")
            held = sqlite3.connect(tmp_path / "queue" / "bench.sqlite", isolation_level=None)
            held.execute("BEGIN IMMEDIATE")
            port.send(b"12.40\r\n12.50\r\n")
            assert program.said("readings wait in memory")
            assert program.stop() == 1
            held.close()
            text = program.output.read_text()
            assert "not kept: 12.40 (mm) from six-inch" in text
            assert "not kept: 12.50 (mm) from six-inch" in text
            assert "Traceback" not in text


def test_two_programs_cannot_share_a_queue_and_it_changes_its_server_only_when_told(tmp_path):
    one, other = "http://127.0.0.1:9", "http://127.0.0.1:10"
    with plugged() as port:
        spec = f"serial:{port.target},unit=mm,name=six-inch"
        with bench_program(tmp_path, one, spec) as program:
            assert program.said("listening")
            port.send(b"12.30\r\n")
            assert program.said("kept 12.30")
            second = _run(command(tmp_path, other, "stdin:"))
            assert second.returncode == 2
            assert "another bothends has the queue in" in second.stderr
            # However it ended, the queue is free again.
            program.process.kill()
            program.process.wait()
        second = _run(command(tmp_path, other, "stdin:"))
        assert second.returncode == 2
        assert f"is for the server at {one}, and 1 of" in second.stderr
        assert len(second.stderr.splitlines()) == 1
        with serving(tmp_path / "shop") as server:
            series = server.start_series()
            words = [*command(tmp_path, server.url, "stdin:"), "--change-server"]
            assert _run(words).returncode == 0
            assert _sent(server, series) == ["12.30"]


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--to", "shop", "--caliper", "stdin:"], "http://shop.local:8017"),
        (["--to", "http://127.0.0.1:80x", "--caliper", "stdin:"], "--to 'http://127.0.0.1:80x'"),
        (["--to", "http://[::1", "--caliper", "stdin:"], "--to 'http://[::1'"),
        (["--to", "http://x", "--caliper", "cereal:x"], "serial"),
        (["--to", "http://x"], "--caliper"),
        (["--to", "http://x", "--caliper", "stdin:", "--bench", ""], "--bench ''"),
        (["--to", "http://x", "--caliper", "stdin:", "--bench", "a/b"], "--bench 'a/b'"),
        (["--to", "http://x", "--caliper", "stdin:", "--bench", "a,name=b"], "--bench 'a,name=b'"),
        (["--to", "http://x", "--caliper", "stdin:", "--bench", "a" * 250], "1 to 64 letters"),
        (["--to", "http://x", "--caliper", "stdin:", "--data", "/dev/null"], "--data"),
    ],
)
def test_a_wrong_option_is_said(tmp_path, options, says):
    done = _run([*COMMAND, "bench", "--data", str(tmp_path), *options])
    assert done.returncode == 2
    assert says in done.stderr
    assert "Traceback" not in done.stderr
