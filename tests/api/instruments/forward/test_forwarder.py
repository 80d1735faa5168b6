"""The hand-over continues, whatever the server, the network or the disk does meanwhile.

The server here is a real one on the loopback interface with scripted answers, byte for byte.
"""

from __future__ import annotations

import json
import socket
import socketserver
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest

from api.http import TokenError
from api.instruments.forward.client import Away, Client
from api.instruments.forward.forwarder import Forwarder
from api.instruments.forward.queue import HandoverProgress, Item, Queue
from capture.records import CaliperState
from tests.api.instruments.forward.bodies import body
from tests.ptys import until

Answer = Callable[[socket.socket, Any], None]


def answered(status: str, body: bytes, *headers: str, length: int | None = None) -> Answer:
    """An answer with this body, which says that it is `length` bytes long."""

    def answer(to: socket.socket, _asked: Any) -> None:
        size = len(body) if length is None else length
        lines = [f"HTTP/1.1 {status}", f"Content-Length: {size}", *headers, "", ""]
        to.sendall("\r\n".join(lines).encode() + body)

    return answer


def sent(data: bytes) -> Answer:
    """These bytes, and the end."""
    return lambda to, _asked: to.sendall(data)


def held(data: bytes) -> Answer:
    """These bytes, and then nothing until the other side has had enough."""

    def answer(to: socket.socket, _asked: Any) -> None:
        to.sendall(data)
        to.recv(1)

    return answer


def dripped(head: bytes) -> Answer:
    """`head`, and then a byte from time to time, without end."""

    def answer(to: socket.socket, _asked: Any) -> None:
        to.sendall(head)
        to.settimeout(0.02)
        while True:
            with suppress(TimeoutError):
                if not to.recv(1):
                    return
            to.sendall(b"x")

    return answer


def good(to: socket.socket, asked: Any) -> None:
    said = {"stored": len(asked), "known": 0} if isinstance(asked, list) else {"behind_ms": 0}
    answered("200 OK", json.dumps(said).encode(), "Content-Type: application/json")(to, asked)


NOT_LET_IN = answered("401 Unauthorized", b'{"detail": "who are you?"}', "WWW-Authenticate: Bearer")


class OddServer:
    """Gives scripted answers to the first requests of each path, and then the right ones."""

    def __init__(self) -> None:
        self.odd: dict[str, list[Answer]] = {}
        self.always: dict[str, Answer] = {}
        self.asked: list[tuple[str, Any]] = []
        self.let_in = ""  # the token; empty: whoever asks
        odd = self

        class Handler(socketserver.StreamRequestHandler):
            def handle(self) -> None:
                path = self.rfile.readline().split()[1].decode()
                size, said = 0, ""
                while (line := self.rfile.readline()) not in (b"\r\n", b""):
                    name, _, value = line.partition(b":")
                    size = int(value) if name.lower() == b"content-length" else size
                    said = value.decode().strip() if name.lower() == b"authorization" else said
                body = json.loads(self.rfile.read(size))
                end = path.rsplit("/", 1)[1]
                if odd.let_in and said != f"Bearer {odd.let_in}":
                    NOT_LET_IN(self.connection, body)
                    return
                odd.asked.append((path, body))
                told = odd.odd.get(end)
                with suppress(OSError):
                    (told.pop(0) if told else odd.always.get(end, good))(self.connection, body)

        class Server(socketserver.ThreadingTCPServer):
            daemon_threads = True
            block_on_close = False

        self._server = Server(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.01,))
        self._thread.start()

    def readings(self) -> list[list[str]]:
        return [[r["sent"] for r in body] for path, body in self.asked if path == "/api/readings"]

    def states(self) -> list[Any]:
        return [body for path, body in self.asked if path.endswith("/calipers")]

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


class Bench:
    """A queue and its forwarder, and what they reported."""

    def __init__(self, path: Path, url: str, **options: Any) -> None:
        self.queue = Queue(path)
        self.told: list[tuple[HandoverProgress, str]] = []
        self.refused: list[str] = []
        self.states: list[CaliperState] = []
        self.forwarder = Forwarder(
            self.queue,
            url,
            states=lambda: self.states,
            changed=lambda *now: self.told.append(now),
            refused=self._refused,
            **options,
        )

    def _refused(self, item: Item, why: str) -> None:
        self.refused.append(f"{item}: {why}")

    def add(self, *texts: str) -> None:
        for text in texts:
            self.queue.add("reading", body(text))

    def trouble(self) -> str:
        return self.told[-1][1] if self.told else ""

    def all_sent(self) -> bool:
        return until(lambda: self.told and str(self.told[-1][0]) == f"sent {self.total()}")

    def total(self) -> str:
        progress = self.queue.progress()
        return f"{progress.total} of {progress.total}"


@contextmanager
def forwarding(tmp_path: Path, url: str, *texts: str, **options: Any) -> Iterator[Bench]:
    bench = Bench(tmp_path / "bench.sqlite", url, **options)
    bench.add(*texts)
    bench.forwarder.start()
    try:
        yield bench
    finally:
        bench.forwarder.stop()
        bench.queue.close()
    assert until(ended)


def ended() -> bool:
    return not any(t.name == "forwarder" for t in threading.enumerate())


@pytest.fixture
def server() -> Iterator[OddServer]:
    made = OddServer()
    yield made
    made.close()


STORED = b'{"stored": 2, "known": 0}'


ODD = {
    "no HTTP at all": sent(b"220 mail.example ready\r\n\r\n"),
    "nothing": sent(b""),
    "a body cut short": answered("200 OK", STORED[:9], length=500),
    "bad chunking": sent(b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n{}\r\n"),
    "a hundred headers too many": sent(b"HTTP/1.1 200 OK\r\n" + b"A: b\r\n" * 300 + b"\r\n"),
    "an error cut short": answered("500 Internal Server Error", b"{", length=500),
    "an error that never ends": held(b"HTTP/1.1 500 Oops\r\nContent-Length: 9\r\n\r\n{"),
    "an answer byte by byte": dripped(b"HTTP/1.1 200 OK\r\nContent-Length: 90000\r\n\r\n"),
    "headers byte by byte": dripped(b"HTTP/1.1 200 OK\r\nX: "),
    "an error of depth": answered("503 Busy", b"[" * 60_000),
    "a page to sign on": answered("200 OK", b"<html>Welcome, sign on</html>"),
    "the way to one": answered("302 Found", b"", "Location: http://127.0.0.1:1/sign-on"),
    "nothing to say": sent(b"HTTP/1.1 204 No Content\r\n\r\n"),
    "another count": answered("200 OK", b'{"stored": 1, "known": 0}'),
    "counts that are none": answered("200 OK", b'{"stored": "2", "known": ""}'),
    "no object": answered("200 OK", b"[2, 0]"),
    "a refusal by a stranger": answered("422 No", b"<html>no</html>"),
}


def test_each_attempt_tells_whether_the_server_is_reached(
    tmp_path: Path, server: OddServer
) -> None:
    server.odd["readings"] = [sent(b""), NOT_LET_IN]
    told: list[bool] = []
    with forwarding(tmp_path, server.url, "11.40", reached=told.append) as bench:
        assert bench.all_sent()
        assert until(lambda: len(told) > 2)
        assert told[:3] == [False, False, True]


NEVER_ENDS = {"an error that never ends", "an answer byte by byte", "headers byte by byte"}


@pytest.mark.parametrize("name", ODD)
def test_an_odd_answer_is_said_and_what_was_pressed_goes_over_afterwards(tmp_path, server, name):
    server.odd["readings"] = [ODD[name]]
    # Only for an answer that never ends: a good answer of a busy machine may take longer.
    long = 30.0
    patience = 2.0 if name in NEVER_ENDS else long
    with forwarding(tmp_path, server.url, "12.30", "12.40", patience=patience) as bench:
        assert until(server.readings)
        bench.forwarder._patience = long
        assert bench.all_sent()
        assert until(lambda: bench.trouble() == "")
        said = [trouble for _, trouble in bench.told if trouble]
        assert len(said) == 1
        assert server.url in said[0] or "RecursionError" in said[0]
        assert server.readings() == [["12.30", "12.40"]] * 2
        assert bench.refused == []


def test_a_server_that_sends_elsewhere_says_where(tmp_path, server):
    server.always["readings"] = answered("301 Moved", b"", "Location: https://127.0.0.1/x")
    with forwarding(tmp_path, server.url, "12.30") as bench:
        assert until(lambda: "301: Moved, sent on to https://127.0.0.1/x" in bench.trouble())


def test_a_refusal_is_told_with_its_reason_once_and_the_others_go_over(tmp_path, server):
    def picky(to: socket.socket, asked: Any) -> None:
        if any(r["sent"] == "bad" for r in asked):
            answered("422 No", b'{"detail": "0.sent: is no reading"}')(to, asked)
        else:
            good(to, asked)

    server.always["readings"] = picky
    with forwarding(tmp_path, server.url, "1.00", "bad", "2.00") as bench:
        assert until(lambda: bench.queue.progress() == HandoverProgress(3, 3, 1))
        bench.add("3.00")
        bench.forwarder.report()
        assert until(lambda: bench.queue.progress() == HandoverProgress(4, 4, 1))
        assert bench.refused == ["'bad' from six-inch: 0.sent: is no reading"]
    with forwarding(tmp_path, server.url, "4.00") as bench:
        assert until(lambda: bench.queue.progress() == HandoverProgress(5, 5, 1))
        assert bench.refused == []


@pytest.mark.parametrize("status", ["422 No", "409 Conflict"])
def test_exactly_what_the_server_refused_is_set_aside(tmp_path, server, status):
    def listing(to: socket.socket, asked: Any) -> None:
        bad = [{"id": r["id"], "why": "sent: no reading"} for r in asked if "bad" in r["sent"]]
        said = {"stored": len(asked) - len(bad), "known": 0, "refused": bad}
        answered(status, json.dumps({"detail": "no", **said}).encode())(to, asked)

    server.odd["readings"] = [listing]
    with forwarding(tmp_path, server.url, "1.00", "bad", "2.00", "bad too", "3.00") as bench:
        assert until(lambda: bench.queue.progress() == HandoverProgress(5, 5, 2))
        # One hand-over was enough, and the next one goes on behind it.
        assert server.readings() == [["1.00", "bad", "2.00", "bad too", "3.00"]]
        assert bench.refused == [
            "'bad' from six-inch: sent: no reading",
            "'bad too' from six-inch: sent: no reading",
        ]
        bench.add("4.00")
        bench.forwarder.report()
        assert until(lambda: bench.queue.progress() == HandoverProgress(6, 6, 2))


def test_a_conflict_of_an_older_server_is_set_aside_and_blocks_nothing(tmp_path, server):
    server.odd["readings"] = [answered("409 Conflict", b'{"detail": "known with another value"}')]
    with forwarding(tmp_path, server.url, "1.00") as bench:
        assert until(lambda: bench.queue.progress() == HandoverProgress(1, 1, 1))
        bench.add("2.00")
        bench.forwarder.report()
        assert until(lambda: bench.queue.progress() == HandoverProgress(2, 2, 1))


def test_of_a_server_that_asks_nothing_yet_each_press_is_told_as_kept(tmp_path, server):
    told: list[tuple[UUID, str]] = []
    ids = [UUID(int=number) for number in (1, 2)]
    bench = Bench(tmp_path / "bench.sqlite", server.url, became=lambda *fate: told.append(fate))
    for each in ids:
        bench.queue.add("reading", body("12.30") | {"id": str(each)})
    bench.forwarder.start()
    try:
        assert bench.all_sent()
        assert (told, bench.refused, bench.trouble()) == ([(each, "") for each in ids], [], "")
    finally:
        bench.forwarder.stop()
        bench.queue.close()


def test_a_batch_that_is_too_large_on_the_way_goes_over_one_by_one(tmp_path, server):
    def narrow(to: socket.socket, asked: Any) -> None:
        (answered("413 Too Large", b"<html>") if len(asked) > 1 else good)(to, asked)

    server.always["readings"] = narrow
    with forwarding(tmp_path, server.url, "1.00", "2.00") as bench:
        assert bench.all_sent()
        assert server.readings() == [["1.00", "2.00"], ["1.00"], ["2.00"]]


def test_a_queue_held_by_another_program_is_trouble_that_passes(tmp_path, server):
    with forwarding(tmp_path, server.url, "12.30") as bench:
        assert bench.all_sent()
        other = sqlite3.connect(tmp_path / "bench.sqlite", isolation_level=None)
        bench.add("12.40")
        other.execute("BEGIN IMMEDIATE")
        bench.forwarder.report()
        assert until(lambda: "disk fails (database is locked)" in bench.trouble())
        other.close()
        assert bench.all_sent()
        assert until(lambda: bench.trouble() == "")


def test_a_listener_that_fails_does_not_end_the_hand_over(tmp_path, server):
    def fails(*_said: object) -> None:
        raise RuntimeError("nobody can be told")

    queue = Queue(tmp_path / "bench.sqlite")
    queue.add("reading", body("1.00"))
    forwarder = Forwarder(queue, server.url, states=lambda: (), changed=fails, refused=fails)
    forwarder.start()
    assert until(lambda: queue.progress().sent == 1)
    queue.add("reading", body("2.00"))
    forwarder.report()
    assert until(lambda: queue.progress().sent == 2)
    forwarder.stop()
    queue.close()


LISTENING = CaliperState("main", "six-inch", "listening")


def test_readings_do_not_wait_for_a_server_that_will_not_hear_of_calipers(tmp_path, server):
    server.always["calipers"] = answered("500 Oops", b"")
    with forwarding(tmp_path, server.url) as bench:
        bench.states = [LISTENING]
        bench.forwarder.report()
        assert until(lambda: "take the calipers' states: it answers 500: Oops" in bench.trouble())
        bench.add("12.30")
        bench.forwarder.report()
        assert bench.all_sent()
        assert server.readings() == [["12.30"]]


def test_a_server_that_is_away_is_said_before_anything_is_pressed(tmp_path):
    # Taken, so that nobody else comes to listen there.
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        with forwarding(tmp_path, f"http://127.0.0.1:{taken.getsockname()[1]}") as bench:
            bench.states = [LISTENING]
            bench.forwarder.report()
            assert until(lambda: "can't be reached" in bench.trouble())


def test_the_server_hears_when_each_caliper_was_last_heard_also_in_a_long_catch_up(
    tmp_path, server, monkeypatch
):
    monkeypatch.setattr("api.instruments.forward.forwarder._HEARTBEAT_S", 0.0)
    texts = [str(n) for n in range(900)]
    queue = Queue(tmp_path / "bench.sqlite")
    for text in texts:
        queue.add("reading", body(text))
    queue.close()
    with forwarding(tmp_path, server.url) as bench:
        heard = datetime(2026, 3, 2, 12, tzinfo=UTC)
        # No change of state is reported: the latest is asked for each time.
        bench.states = [CaliperState("main", "six-inch", "listening", "", heard)]
        assert bench.all_sent()
        assert [text for batch in server.readings() for text in batch] == texts
        last = max(i for i, (path, _) in enumerate(server.asked) if path == "/api/readings")
        early = [body for path, body in server.asked[:last] if path.endswith("/calipers")]
        assert len(early) >= 3
        assert early[-1]["calipers"][0]["last_heard"] == heard.isoformat()


def test_stopping_hangs_up_on_a_server_that_does_not_answer(tmp_path, server):
    server.always["readings"] = held(b"")
    # It would wait for longer than the test does.
    with forwarding(tmp_path, server.url, "12.30", patience=300.0) as bench:
        assert until(lambda: server.readings())
        bench.forwarder.stop(0.1)
        assert until(ended)
        assert bench.trouble() == ""
        assert bench.queue.progress() == HandoverProgress(0, 1, 0)


def test_a_bench_that_is_not_let_in_keeps_all_and_takes_a_token_that_is_mended(tmp_path, server):
    server.let_in = "right"
    tokens = [None, "wrong"]
    token = lambda: tokens.pop(0) if tokens else "right"  # noqa: E731
    with forwarding(tmp_path, server.url, "12.30", "12.40", token=token) as bench:
        assert bench.all_sent()
        troubles = list(dict.fromkeys(trouble for _, trouble in bench.told if trouble))
        assert [
            trouble.count("bothends token add NAME --may press --bench main")
            for trouble in troubles
        ] == [1, 1]
        assert "lets in nobody without a token" in troubles[0]
        assert "does not take this token" in troubles[1]
        assert all(trouble.endswith("handed over when they can be") for trouble in troubles)
        assert bench.refused == []
    assert server.readings() == [["12.30", "12.40"]]


def test_a_bench_of_which_there_is_too_much_waits_as_it_is_told_and_loses_nothing(tmp_path, server):
    moments = []

    def too_much(to: socket.socket, asked: Any) -> None:
        moments.append(time.monotonic())
        said = b'{"detail": "go on more slowly"}'
        answered("429 Too Many Requests", said, "Retry-After: 1")(to, asked)

    def good_now(to: socket.socket, asked: Any) -> None:
        moments.append(time.monotonic())
        good(to, asked)

    server.odd["readings"] = [too_much, good_now]
    with forwarding(tmp_path, server.url, "12.30", "12.40") as bench:
        assert until(lambda: bench.trouble())
        assert "429: go on more slowly; readings are kept here" in bench.trouble()
        bench.add("12.50")
        assert bench.all_sent()
        assert bench.refused == []
    assert moments[1] - moments[0] >= 1.0
    assert server.readings() == [["12.30", "12.40"], ["12.30", "12.40", "12.50"]]


def test_what_is_wrong_with_a_token_is_the_trouble_and_nothing_is_asked(server):
    def gone() -> str:
        raise TokenError("the token file is gone; put it back")

    with pytest.raises(Away, match=r"^the token file is gone; put it back$"):
        Client(server.url, gone).post("/api/readings", [], 30, "main")
    assert server.asked == []


def test_a_token_that_may_too_little_is_told_with_what_the_server_says(server):
    server.always["readings"] = answered("403 Forbidden", b'{"detail": "saw may only read"}')
    with pytest.raises(Away, match=r"answers: saw may only read; .* --may press --bench north$"):
        Client(server.url, lambda: "right").post("/api/readings", [], 30, "north")
