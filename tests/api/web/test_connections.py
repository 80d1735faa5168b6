"""A connection whose other side keeps it waiting ends; one that goes on slowly does not."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager, suppress
from typing import Any

import httpx2
import pytest
import uvicorn
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response, StreamingResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from api.web import connections
from api.web.connections import Connection, Crowd
from api.web.live import PATH
from tests.api.safe import assert_safe
from tests.ptys import PATIENCE_S, until


async def _without_end() -> AsyncIterator[bytes]:
    while True:
        yield b"x" * 10_000
        await asyncio.sleep(0)


async def _app(scope: Scope, receive: Receive, send: Send) -> None:
    assert scope["type"] == "http"
    await StreamingResponse(_without_end())(scope, receive, send)


async def _short(scope: Scope, receive: Receive, send: Send) -> None:
    await Response(b"short")(scope, receive, send)


async def _large(scope: Scope, receive: Receive, send: Send) -> None:
    await Response(b"x" * 10_000_000)(scope, receive, send)


async def _late(scope: Scope, receive: Receive, send: Send) -> None:
    await asyncio.sleep(3 * connections.HEAD_S)
    await Response(b"late")(scope, receive, send)


async def _body(scope: Scope, receive: Receive, send: Send) -> None:
    size = 0
    with suppress(ClientDisconnect):
        async for part in Request(scope, receive).stream():
            size += len(part)
    await Response(str(size))(scope, receive, send)


class Running:
    """A server in a thread, with small buffers."""

    def __init__(self, app: ASGIApp, kind: type[Connection]) -> None:
        listener = socket.create_server(("127.0.0.1", 0))
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
        self.port = listener.getsockname()[1]
        config = uvicorn.Config(
            app,
            http=kind,
            lifespan="off",
            log_config=None,
            timeout_graceful_shutdown=int(PATIENCE_S),
        )
        self.server = uvicorn.Server(config)
        self.thread = threading.Thread(target=self.server.run, args=([listener],))
        self.thread.start()

    def of(self, reader: socket.socket) -> list[Any]:
        """The connection of `reader`, while it is there. Others may be: a program that seeks a
        server which had this port before."""
        address = reader.getsockname()
        return [
            each for each in list(self.server.server_state.connections) if each.client == address
        ]

    def waits(self, reader: socket.socket) -> bool:
        """Whether the connection of `reader` is there and takes nothing more."""
        return any(each.flow is not None and each.flow.write_paused for each in self.of(reader))

    def connect(self) -> socket.socket:
        made = socket.create_connection(("127.0.0.1", self.port), PATIENCE_S)
        assert until(lambda: self.of(made))
        return made

    def ask(self, path: str, more: bytes = b"") -> socket.socket:
        reader = socket.socket()
        reader.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        reader.settimeout(PATIENCE_S)
        reader.connect(("127.0.0.1", self.port))
        asked = f"GET {path}?bench=main HTTP/1.1\r\nHost: 127.0.0.1\r\n".encode()
        reader.sendall(asked + more + b"\r\n")
        return reader


@contextmanager
def running(app: ASGIApp = _app, kind: type[Connection] = Connection) -> Iterator[Running]:
    made = Running(app, kind)
    try:
        assert until(lambda: made.server.started)
        yield made
    finally:
        made.server.should_exit = made.server.force_exit = True
        made.thread.join(PATIENCE_S)
        assert not made.thread.is_alive()


@pytest.fixture
def impatient(monkeypatch):
    """Waits are as short as a test may be."""
    monkeypatch.setattr(connections, "_LOOK_S", 0.02)
    monkeypatch.setattr(connections, "HEAD_S", 0.3)
    monkeypatch.setattr(connections, "PATIENCE_S", 0.3)


def rest_of(sock: socket.socket) -> bytes:
    """What comes until the other side hangs up."""
    found = b""
    with suppress(ConnectionError):
        while more := sock.recv(100_000):
            found += more
    return found


@pytest.mark.usefixtures("impatient")
@pytest.mark.parametrize("path", [PATH, "/api/trials.csv"])
def test_an_answer_whose_reader_takes_nothing_is_dropped(path):
    with running() as server, server.ask(path) as asleep:
        assert until(lambda: server.waits(asleep))
        assert until(lambda: not server.of(asleep))
        rest_of(asleep)  # what the system holds for it, and then the end


@pytest.mark.usefixtures("impatient")
def test_an_answer_that_is_whole_does_not_wait_without_an_end_for_its_reader():
    closing = b"Connection: close\r\n"
    with running(_large) as server, server.ask("/api/series/1", closing) as asleep:
        # All is written, but the system has taken a part alone.
        assert until(lambda: any(each.transport.is_closing() for each in server.of(asleep)))
        assert until(lambda: not server.of(asleep))


@pytest.mark.parametrize("path", [PATH, "/api/trials.csv"])
def test_a_reader_that_goes_on_after_a_pause_keeps_its_answer(monkeypatch, path):
    monkeypatch.setattr(connections, "_LOOK_S", 0.02)
    with running() as server, server.ask(path) as slow:
        assert until(lambda: server.waits(slow))
        (connection,) = server.of(slow)
        assert until(lambda: connection._untaken is not None)
        first = connection._untaken
        assert until(lambda: slow.recv(100_000) and connection._untaken is not first)
        assert server.of(slow) == [connection]


@pytest.mark.usefixtures("impatient")
@pytest.mark.parametrize("sent", [b"GET / HTTP/1.1\r\nHost: 127", b"\r\n"])
@pytest.mark.parametrize("before", [False, True])
def test_a_head_that_does_not_come_whole_gets_408(sent, before):
    with running(_short) as server, server.connect() as slow:
        if before:
            slow.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            assert slow.recv(1000).endswith(b"short")
        slow.sendall(sent)
        answer = rest_of(slow)
        assert answer.startswith(b"HTTP/1.1 408 ")
        assert b"send it once more" in answer
        assert until(lambda: not server.of(slow))


@pytest.mark.usefixtures("impatient")
def test_a_connection_on_which_nothing_comes_ends_without_an_answer():
    with running(_short) as server, server.connect() as idle:
        assert rest_of(idle) == b""


_POST = b"POST / HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 200000\r\n\r\n"


@pytest.mark.usefixtures("impatient")
def test_a_body_that_does_not_go_on_gets_408():
    with running(_body) as server, server.connect() as slow:
        slow.sendall(_POST + b"x")
        assert rest_of(slow).startswith(b"HTTP/1.1 408 ")
        assert until(lambda: not server.of(slow))


@pytest.mark.usefixtures("impatient")
def test_a_body_of_which_a_little_comes_now_and_then_gets_408():
    with running(_body) as server, server.connect() as slow:
        slow.sendall(_POST)
        slow.settimeout(0.01)
        answer = b""

        def come() -> bool:
            nonlocal answer
            with suppress(TimeoutError):
                answer = slow.recv(1000)
            if not answer:
                slow.sendall(b"x")
            return bool(answer)

        assert until(come)
        assert answer.startswith(b"HTTP/1.1 408 ")


def test_a_body_that_goes_on_slowly_is_read_to_its_end(monkeypatch):
    monkeypatch.setattr(connections, "_LOOK_S", 0.02)
    monkeypatch.setattr(connections, "PATIENCE_S", 1.0)
    with running(_body) as server, server.connect() as slow:
        slow.sendall(_POST)
        (connection,) = server.of(slow)
        for _ in range(10):
            before = connection._body
            slow.sendall(b"x" * 20_000)
            assert until(lambda: connection._body is not before)  # noqa: B023
        assert slow.recv(1000).endswith(b"200000")


@pytest.mark.usefixtures("impatient")
def test_a_body_that_nobody_reads_ends_with_its_answer():
    with running(_short) as server, server.connect() as endless:
        endless.sendall(_POST + b"x")
        assert rest_of(endless).endswith(b"short")
        assert until(lambda: not server.of(endless))


@pytest.mark.usefixtures("impatient")
def test_a_slow_answer_is_no_slow_head():
    """The next request's head waits while the answer before it is made."""
    with running(_late) as server, server.connect() as asker:
        asker.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\nGET / HT")
        assert rest_of(asker).count(b"late") == 1


# ---------------------------------------------------------------- how many


def test_one_computer_does_not_take_all_places():
    crowd = Crowd(most=connections.MOST_EACH + 2)
    for port in range(connections.MOST_EACH):
        assert not crowd.enter(f"2001:db8::{port + 1}")  # one network: one computer's
    assert "close some" in crowd.enter("2001:db8::ffff")
    assert not crowd.enter("2001:db8:0:1::1")
    assert not crowd.enter("::ffff:192.0.2.1")
    assert "no more are taken" in crowd.enter("192.0.2.2")
    crowd.leave("192.0.2.1")
    assert not crowd.enter("192.0.2.2")
    crowd.leave("2001:db8::1")
    assert not crowd.enter("2001:db8::1")


@pytest.mark.parametrize("host", ["192.0.2.7", "::ffff:192.0.2.7", "10.1.0.9", "2001:db8::7"])
def test_what_a_proxy_brings_comes_from_many(host):
    crowd = Crowd(proxies=["192.0.2.7", "127.0.0.1", "10.1.0.0/24", "2001:db8::7"])
    assert not any(crowd.enter(host) for _ in range(2 * connections.MOST_EACH))
    assert crowd.is_here("127.0.0.2")
    assert not crowd.is_here("127.0.0.1")
    assert not crowd.is_here("::ffff:127.0.0.1")
    # Beside the network of proxies, or a name that is no address.
    for other in ("10.1.1.9", "2001:db8:0:1::7", "testclient"):
        assert any(crowd.enter(other) for _ in range(connections.MOST_EACH + 1))


def test_one_connection_too_many_is_told_so_and_leaves_its_place(monkeypatch):
    monkeypatch.setattr(connections, "loopback", lambda _host: False)
    kind = connections.of_crowd(Crowd(most=1))
    with running(_short, kind) as server:
        with server.connect() as first:
            first.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            assert first.recv(1000).endswith(b"short")
            with socket.create_connection(("127.0.0.1", server.port), PATIENCE_S) as second:
                answer = rest_of(second)
                assert answer.startswith(b"HTTP/1.1 503 ")
                assert b"Retry-After: " in answer
        assert until(lambda: not server.server.server_state.connections)
        with server.connect() as third:
            third.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            assert third.recv(1000).endswith(b"short")


def test_a_reader_that_takes_nothing_does_not_hold_up_the_end(caplog):
    with running() as server, server.ask(PATH) as reader:
        assert until(lambda: server.waits(reader))
        server.server.should_exit = True
        assert until(lambda: not server.thread.is_alive())
    assert caplog.records == []


@pytest.mark.parametrize("at_once", [True, False])
def test_a_request_whose_headers_do_not_end_is_refused(at_once):
    with running() as server, socket.create_connection(("127.0.0.1", server.port)) as endless:
        endless.settimeout(PATIENCE_S)
        begun = b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n"
        headers = b"".join(b"X-%d: %s\r\n" % (number, b"x" * 1000) for number in range(100))
        with suppress(ConnectionError):  # what is sent after it has hung up
            if at_once:
                endless.sendall(begun + headers)
            else:
                endless.sendall(begun)
                assert until(lambda: server.of(endless))
                endless.sendall(headers)
        answer = b""
        with suppress(ConnectionError):
            while more := endless.recv(1000):
                answer += more
        assert answer.startswith(b"HTTP/1.1 431") or not answer
        assert until(lambda: not server.of(endless))


_TINY = b"1\r\nx\r\n" * 1000
_CHUNKED = b"POST / HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: chunked\r\n\r\n"
_GET = b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n"
_LONG = b"a" * 40_000


@pytest.mark.parametrize(
    ("app", "sent", "status"),
    [
        (_body, _CHUNKED + _TINY, b"400"),
        (_short, _GET + b"a: b\r\n" * 101 + b"\r\n", b"431"),
        (_short, _GET + b"a: " + _LONG + b"\r\nb: " + _LONG + b"\r\n\r\n", b"431"),
        (_short, b"GET /?" + _LONG + b" HTTP/1.1\r\nHost: " + _LONG + b"\r\n\r\n", b"431"),
        (_late, (_GET + b"\r\n") * 100, b""),
    ],
)
def test_what_costs_more_than_it_is_worth_ends_at_once(app, sent, status):
    with running(app) as server, server.connect() as costly:
        costly.sendall(sent)
        answer = rest_of(costly)
        assert answer[9:12] == status
        assert until(lambda: not server.of(costly))


async def _named(scope: Scope, receive: Receive, send: Send) -> None:
    await Request(scope, receive).body()
    await Response(b" ".join(name for name, _ in scope["headers"]))(scope, receive, send)


def test_what_comes_after_a_body_is_no_header():
    with running(_named) as server, server.connect() as sender:
        fields = b"Host: other\r\nX-Forwarded-For: 10.0.0.7\r\n"
        sender.sendall(_CHUNKED + b"1\r\nx\r\n0\r\n" + fields + b"\r\n")
        assert sender.recv(1000).endswith(b"\r\nhost transfer-encoding")
        sender.sendall(_CHUNKED + b"0\r\n" + b"a: b\r\n" * 101 + b"\r\n")
        assert rest_of(sender)[9:12] == b"431"


@pytest.mark.parametrize("around", [b"1;", b"0\r\nx: "])
def test_more_around_a_body_than_in_it_ends_it(around):
    with running(_body) as server, server.connect() as sender:
        with suppress(ConnectionError):  # what is sent after it has hung up
            # More than is read at once: what comes with the head is not counted.
            sender.sendall(_CHUNKED + around + b"x" * 600_000)
        assert rest_of(sender)[9:12] in (b"400", b"")
        assert until(lambda: not server.of(sender))


def test_a_body_that_goes_on_after_its_answer_is_not_read_without_end():
    with running(_short) as server, server.connect() as endless:
        endless.sendall(_CHUNKED)
        answer = b""
        while not answer:  # so that all that follows comes after it
            answer = endless.recv(1000)
        assert answer.endswith(b"short")
        with suppress(ConnectionError):
            for _ in range(100):
                endless.sendall(b"10000\r\n" + b"x" * 0x10000 + b"\r\n")
        assert until(lambda: not server.of(endless))


def test_chunks_as_programs_send_them_are_read():
    with running(_body) as server, server.connect() as sender:
        sender.sendall(_CHUNKED + (b"64\r\n" + b"x" * 100 + b"\r\n") * 1000 + b"0\r\n\r\n")
        assert sender.recv(1000).endswith(b"100000")


def test_a_long_body_is_no_long_header():
    with running() as server, socket.create_connection(("127.0.0.1", server.port)) as sender:
        sender.settimeout(PATIENCE_S)
        sender.sendall(b"POST / HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 200000\r\n\r\n")
        sender.sendall(b"x" * 200_000)
        assert sender.recv(100).startswith(b"HTTP/1.1 200")


def test_what_is_no_request_is_refused_with_the_headers_of_every_answer():
    with running() as server, socket.create_connection(("127.0.0.1", server.port)) as other:
        other.settimeout(PATIENCE_S)
        other.sendall(b"no request\r\n\r\n")
        head, _, body = b"".join(iter(lambda: other.recv(4096), b"")).partition(b"\r\n\r\n")
    status, *lines = head.decode().split("\r\n")
    answer = httpx2.Response(
        int(status.split()[1]),
        headers=[tuple(line.split(": ", 1)) for line in lines],
        request=httpx2.Request("GET", "http://127.0.0.1/"),
    )
    assert answer.status_code == 400
    assert int(answer.headers["content-length"]) == len(body)
    assert_safe(answer)
