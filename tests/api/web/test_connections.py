"""A live stream whose reader takes nothing is dropped; no other connection is."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager, suppress
from typing import Any

import pytest
import uvicorn
from starlette.responses import StreamingResponse
from starlette.types import Receive, Scope, Send

from api.web import connections
from api.web.connections import Connection
from api.web.live import PATH
from tests.ptys import PATIENCE_S, until


async def _without_end() -> AsyncIterator[bytes]:
    while True:
        yield b"x" * 10_000
        await asyncio.sleep(0)


async def _app(scope: Scope, receive: Receive, send: Send) -> None:
    assert scope["type"] == "http"
    await StreamingResponse(_without_end())(scope, receive, send)


class Running:
    """A server in a thread, with small buffers; its application sends without an end."""

    def __init__(self) -> None:
        listener = socket.create_server(("127.0.0.1", 0))
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
        self.port = listener.getsockname()[1]
        config = uvicorn.Config(
            _app,
            http=Connection,
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

    def ask(self, path: str) -> socket.socket:
        reader = socket.socket()
        reader.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        reader.settimeout(PATIENCE_S)
        reader.connect(("127.0.0.1", self.port))
        reader.sendall(f"GET {path}?bench=main HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n".encode())
        return reader


@contextmanager
def running() -> Iterator[Running]:
    made = Running()
    try:
        assert until(lambda: made.server.started)
        yield made
    finally:
        made.server.should_exit = made.server.force_exit = True
        made.thread.join(PATIENCE_S)
        assert not made.thread.is_alive()


def test_a_live_stream_whose_reader_takes_nothing_is_dropped(monkeypatch):
    monkeypatch.setattr(connections, "PATIENCE_S", 0.5)
    with running() as server, server.ask(PATH) as asleep:
        assert until(lambda: server.waits(asleep))
        assert until(lambda: not server.of(asleep))
        while asleep.recv(100_000):  # what the system holds for it, and then the end
            pass


def test_a_download_may_wait_for_as_long_as_its_reader_likes():
    with running() as server, server.ask("/api/trials.csv") as reader:
        assert until(lambda: server.waits(reader))
        (connection,) = server.of(reader)
        assert connection._dropping is None


def test_a_reader_that_goes_on_after_a_pause_keeps_its_stream():
    with running() as server, server.ask(PATH) as slow:
        assert until(lambda: server.waits(slow))
        (connection,) = server.of(slow)
        dropping = connection._dropping
        assert dropping is not None
        assert until(lambda: slow.recv(100_000) and dropping.cancelled())
        assert server.of(slow) == [connection]


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
        assert answer.startswith(b"HTTP/1.1 400") or not answer
        assert until(lambda: not server.of(endless))


def test_a_long_body_is_no_long_header():
    with running() as server, socket.create_connection(("127.0.0.1", server.port)) as sender:
        sender.settimeout(PATIENCE_S)
        sender.sendall(b"POST / HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 200000\r\n\r\n")
        sender.sendall(b"x" * 200_000)
        assert sender.recv(100).startswith(b"HTTP/1.1 200")
