"""Connections of HTTP/1.1 that hold nothing up: each ends where its other side keeps it waiting.

A page that the browser has put to sleep, or a program that is halted, keeps its connection and
reads nothing; one that begins a request and never ends it takes a file and a place for as long as
it likes. What is slow goes on as long as it goes on. A live stream connects again by itself, and
says what it saw last; a pull begins again after what was pulled last.

From other computers no more connections are taken than leave files for this one's own.
"""

from __future__ import annotations

import asyncio
import ipaddress
import json
from collections import Counter
from collections.abc import Iterable
from contextlib import suppress
from http import HTTPStatus
from typing import Any, ClassVar, Final, NamedTuple

from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

from api.addresses import loopback, mapped, network
from api.web.headers import OF_NO_REQUEST
from api.web.live import PATH

HEAD_S: Final = 10.0
"""How long a request's lines before its body may take, from the connection's opening or from their
first byte; and what still comes of a request that is answered already."""

PATIENCE_S: Final = 60.0
"""How long an answer waits until its reader takes something, and a body until more of it comes."""

PROGRESS: Final = 16_384
"""Bytes in that time: fewer are none."""

MOST_EACH: Final = 64
"""Connections from one address. A browser opens six to a server."""

MOST: Final = 2000
"""Connections from all other computers together."""

KEPT_FREE: Final = 64
"""Of the files that connections may take: those that are kept for this computer's own."""

_MOST_HEADERS: Final = 100
# Requests that are sent before the answer to the first; no browser sends any.
_MOST_AHEAD: Final = 8
# Bytes of a body's chunks, on the average once there are so many of them.
_SMALLEST: Final = 64
_CHUNKS: Final = 256
# Bytes that are read of a body whose request is answered already, so that the answer is read.
_READ_ON: Final = 1_000_000

_LOOK_S: Final = 1.0
_AT_THE_END_S: Final = 0.5
_LONGEST_HEAD: Final = 65536
_COME_AGAIN_S: Final = 10

_TOO_LONG: Final = "the request's address and headers are longer than 64 kB; send fewer"
_NO_REQUEST: Final = (
    "what was sent is no request of HTTP/1.1; look at its method, its address and its headers"
)


class Crowd:
    """How many connections there are from other computers, and from each.

    proxies: addresses and networks of proxies before this server, which bring everybody's
    requests. Raises ValueError where one is none.
    """

    def __init__(self, most: int = MOST, proxies: Iterable[str] = ()) -> None:
        self._most = most
        self._proxies = [ipaddress.ip_network(mapped(each)) for each in proxies]
        self._of: Counter[str] = Counter()
        self._all = 0

    def is_here(self, host: str) -> bool:
        """Whether `host` is this computer, and no proxy on it."""
        return loopback(host) and not self._is_proxy(host)

    def _is_proxy(self, host: str) -> bool:
        if not self._proxies:
            return False
        try:
            (address,) = ipaddress.ip_network(mapped(host.partition("%")[0]))
        except ValueError:
            return False
        return any(address in each for each in self._proxies)

    def enter(self, host: str) -> str:
        """Count one more from `host`; empty, or why it must go. Each that was counted `leave`s."""
        name = network(host)
        if self._all >= self._most:
            return (
                f"{self._all} connections from other computers are open here, and no more are"
                " taken; close pages that nobody looks at, then try again"
            )
        if self._of[name] >= MOST_EACH and not self._is_proxy(host):
            return (
                f"{MOST_EACH} connections from this computer are open here, and no more are taken;"
                " close some, then try again"
            )
        self._of[name] += 1
        self._all += 1
        return ""

    def leave(self, host: str) -> None:
        name = network(host)
        self._all -= 1
        self._of[name] -= 1
        if not self._of[name]:
            del self._of[name]


def of_crowd(crowd: Crowd) -> type[Connection]:
    """Connections that are counted in `crowd`."""
    return type("Connection", (Connection,), {"crowd": crowd})


class _Stop(Exception):
    """What comes would cost more than it is worth; raised in the midst of parsing, which ends."""


class _Mark(NamedTuple):
    """A moment, and how many bytes had come, or were not taken, then."""

    at: float
    size: int


class Connection(HttpToolsProtocol):
    """A connection that ends where its other side sends no whole head within `HEAD_S`, or gets on
    by less than `PROGRESS` within `PATIENCE_S`; a live stream also where its reader takes not the
    rest as the program ends."""

    crowd: ClassVar[Crowd | None] = None

    _counted = False
    _looking: asyncio.TimerHandle | None = None
    # Bytes of a request's lines before its body; None while they are not awaited.
    _head: int | None = 0
    # Bytes of its address and headers.
    _parsed = 0
    # When they began; None between requests.
    _began: float | None = None
    # Whether what came last holds the end of such lines, or of a body: what follows it there is
    # too little to count.
    _ended = False
    _came = 0
    _body: _Mark | None = None
    _untaken: _Mark | None = None
    _chunks = 0
    _of_body = 0
    # Fields after a body, and what had come as that began.
    _trailers = 0
    _before_body = 0
    _why: tuple[int, str] | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._began = self.loop.time()
        self._looking = self.loop.call_later(_LOOK_S, self._look)
        if self.client is None:
            # It hung up already: nobody can tell whose it was, or reads an answer.
            self.transport.abort()
            return
        host = self.client[0]
        if self.crowd is None or self.crowd.is_here(host):
            return
        if why := self.crowd.enter(host):
            self._refuse(503, why, {"Retry-After": str(_COME_AGAIN_S)})
        else:
            self._counted = True

    def data_received(self, data: bytes) -> None:
        if self.transport.is_closing():
            return
        self._ended = False
        self._came += len(data)
        super().data_received(data)
        if self._head is None:
            # What frames a body: sizes of chunks and what is said beside them, and fields after it.
            around = self._came - self._before_body - self._of_body
            if around > _LONGEST_HEAD + self._of_body and not self.transport.is_closing():
                self._why = 400, "more comes around the body than in it; send the body alone"
                self.send_400_response("")
            return
        if self._ended:
            return
        if self._began is None:
            self._began = self.loop.time()
        self._head += len(data)
        if self._head > _LONGEST_HEAD:
            self._refuse(431, _TOO_LONG)

    def send_400_response(self, msg: str) -> None:  # noqa: ARG002 (its name is uvicorn's)
        # Called where parsing fails, also by what is raised in it.
        status, said = self._why or (400, _NO_REQUEST)
        if not self._answering:
            self._refuse(status, said)
        elif self.cycle.response_started or self.pipeline:
            self.transport.abort()
        else:
            self._refuse_body(status, said)

    def _stop(self, status: int, why: str) -> None:
        self._why = status, why
        raise _Stop

    def on_url(self, url: bytes) -> None:
        super().on_url(url)
        self._count(len(url))

    def on_header(self, name: bytes, value: bytes) -> None:
        self._count(len(name) + len(value))
        if self._head is None:
            # One that comes after the body is no header: what a proxy says of who asks, or takes
            # away, stands before it (RFC 9110, 6.5.1).
            self._trailers += 1
        else:
            super().on_header(name, value)
        if len(self.headers) + self._trailers > _MOST_HEADERS:
            self._stop(431, f"the request has more than {_MOST_HEADERS} headers; send fewer")

    def _count(self, size: int) -> None:
        """Count what came whole: of that `data_received` sees the end alone."""
        self._parsed += size
        if self._parsed > _LONGEST_HEAD:
            self._stop(431, _TOO_LONG)

    def on_chunk_header(self) -> None:
        self._chunks += 1
        if self._chunks > _CHUNKS and self._of_body < self._chunks * _SMALLEST:
            self._stop(400, "the body comes in chunks of a few bytes; send it in larger ones")

    def on_body(self, body: bytes) -> None:
        self._of_body += len(body)
        if not self._answering and self._of_body > _READ_ON:
            self._stop(413, "the body goes on after its answer; send a shorter one")
        super().on_body(body)

    def on_message_begin(self) -> None:
        if len(self.pipeline) >= _MOST_AHEAD:
            self._stop(429, "too many requests are sent ahead; wait for each answer")
        self._head = self._parsed = self._chunks = self._of_body = self._trailers = 0
        self._began = self.loop.time()
        super().on_message_begin()

    def on_headers_complete(self) -> None:
        self._head = self._began = None
        self._ended = True
        self._body = _Mark(self.loop.time(), self._came)
        self._before_body = self._came
        super().on_headers_complete()

    def on_message_complete(self) -> None:
        self._ended = True
        self._head, self._body = 0, None
        super().on_message_complete()

    def resume_writing(self) -> None:
        super().resume_writing()
        self._untaken = None

    def shutdown(self) -> None:
        super().shutdown()
        if self.scope and self.scope.get("path") == PATH:
            self.loop.call_later(_AT_THE_END_S, self.transport.abort)
        elif self.transport.is_closing():
            self.loop.call_later(_AT_THE_END_S, self._end_without_goodbye)

    def connection_lost(self, exc: Exception | None) -> None:
        if self._looking is not None:
            self._looking.cancel()
            self._looking = None
        if self._counted and self.crowd is not None and self.client is not None:
            self.crowd.leave(self.client[0])
        super().connection_lost(exc)

    def _end_without_goodbye(self) -> None:
        """By TLS each side waits for the other to say that it ends, and a phone that sleeps does
        not."""
        if not self.transport.get_write_buffer_size():
            self.transport.abort()

    @property
    def _answering(self) -> bool:
        return self.cycle is not None and not self.cycle.response_complete

    def _look(self) -> None:
        """End this connection where it has waited for its other side long enough."""
        self._looking = self.loop.call_later(_LOOK_S, self._look)
        now = self.loop.time()
        if self._takes_nothing(now):
            self.transport.abort()
        elif self.transport.is_closing():
            return
        elif self._began is not None:
            if self._answering:
                self._began = now  # an earlier request's answer is not broken into
            elif now - self._began > HEAD_S:
                self._end_head()
        elif self._body is not None:
            self._look_at_body(self._body, now)

    def _takes_nothing(self, now: float) -> bool:
        # A transport that is closing waits for its reader, too: without an end, if it may.
        if not (self.flow.write_paused or self.transport.is_closing()):
            self._untaken = None
            return False
        left, before = _untaken(self.transport), self._untaken
        if before is None or left <= before.size - PROGRESS:
            self._untaken = _Mark(now, left)
            return False
        return now - before.at > PATIENCE_S

    def _look_at_body(self, since: _Mark, now: float) -> None:
        if not self._answering:
            if now - since.at > HEAD_S:
                self.transport.abort()
        elif self.flow.read_paused or self._came - since.size >= PROGRESS:
            self._body = _Mark(now, self._came)
        elif now - since.at > PATIENCE_S:
            if self.cycle.response_started:
                self.transport.abort()
            else:
                self._refuse_body(408, "the rest of the request did not come; send it once more")

    def _refuse_body(self, status: int, detail: str) -> None:
        self.cycle.disconnected = True
        self.cycle.message_event.set()
        self._refuse(status, detail)

    def _end_head(self) -> None:
        if self._head:
            said = f"the request's headers did not come within {HEAD_S:.0f} s; send it once more"
            self._refuse(408, said)
        else:
            self.transport.abort()  # a browser's, in reserve: it expects no answer

    def _refuse(self, status: int, detail: str, headers: dict[str, str] | None = None) -> None:
        """Answer with a problem document what reaches no application, and hang up."""
        title = HTTPStatus(status).phrase
        said: dict[str, Any] = {"type": "about:blank", "title": title, "status": status}
        body = json.dumps(said | {"detail": detail}).encode()
        lines = {
            "Content-Type": "application/problem+json",
            "Content-Length": str(len(body)),
            "Connection": "close",
            **{name.decode(): value.decode() for name, value in OF_NO_REQUEST},
            **(headers or {}),
        }
        head = "".join(f"{name}: {value}\r\n" for name, value in lines.items())
        self.transport.write(f"HTTP/1.1 {status} {title}\r\n{head}\r\n".encode() + body)
        self.transport.close()


def _untaken(transport: asyncio.Transport) -> int:
    """Bytes that wait for the other side: here, and where the system tells, in the system."""
    size = transport.get_write_buffer_size()
    with suppress(ImportError, AttributeError, OSError, ValueError):
        import fcntl
        import termios

        made = transport.get_extra_info("socket")
        told = fcntl.ioctl(made.fileno(), termios.TIOCOUTQ, bytes(4))
        size += int.from_bytes(told, "little")
    return size
