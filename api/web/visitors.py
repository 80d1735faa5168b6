"""Who asks: somebody at this computer, the holder of a pass, or nobody who is known.

A request is local where its peer's address is a loopback one, unless a proxy stands before the
server: then every request comes from the proxy. So nobody is local behind one, and neither is who
comes through one that the server was not told of.
"""

from __future__ import annotations

import logging
import time
from dataclasses import dataclass
from typing import Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import HTTPConnection
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.access.book import DEVICE_FOR_S, AccessError, Book, Pass
from api.access.rungs import Rung
from api.addresses import loopback

_log = logging.getLogger(__name__)

COOKIE: Final = "bothends-"
"""What a device's cookie is called; its port follows."""

_VISITOR: Final = "bothends.visitor"
_QUIET_S: Final = 60.0
_OF_A_PROXY: Final = ("forwarded", "via", "x-real-ip")
_OF_A_PROXY_TOO: Final = "x-forwarded-"


@dataclass(frozen=True, slots=True)
class Visitor:
    """Who asks, and what they may. key: what limits count by: a pass, or an address. pass_id,
    name: of the pass; None without one. benches: see `Pass`."""

    key: str
    address: str
    local: bool = False
    pass_id: str | None = None
    name: str | None = None
    rung: Rung | None = None
    benches: tuple[str, ...] | None = None
    unannounced_proxy: bool = False

    def may(self, rung: Rung) -> bool:
        return self.rung is not None and self.rung >= rung

    def may_press(self, bench: str) -> bool:
        """Whether readings of `bench` may come from here."""
        return self.may(Rung.PRESS) and (self.benches is None or bench in self.benches)


_NOBODY: Final = Visitor("nobody", "")


def visitor(scope: Scope) -> Visitor:
    """Who makes the request; nobody, where nothing has looked."""
    found: Visitor = scope.get(_VISITOR, _NOBODY)
    return found


class Identified:
    """Says to `app` who asks; see `visitor`. Renews the cookie of a device by its use.

    behind_proxy: nobody is local.
    """

    def __init__(self, app: ASGIApp, behind_proxy: bool) -> None:
        self._app = app
        self._behind_proxy = behind_proxy
        self._quiet_until = 0.0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        found, cookie = self._look(scope, headers)
        scope[_VISITOR] = found
        await self._app(scope, receive, _with_cookie(send, cookie) if cookie else send)

    def _look(self, scope: Scope, headers: Headers) -> tuple[Visitor, str | None]:
        """Who asks, and the cookie that is sent to them anew."""
        # Whoever hung up before the connection was looked at has no address any more.
        address = scope["client"][0] if scope.get("client") else ""
        through = not self._behind_proxy and any(map(_of_a_proxy, headers))
        if loopback(address) and not self._behind_proxy and not through:
            return Visitor("local", address, local=True, rung=Rung.ADMIN), None
        book = book_of(scope)
        found: Pass | None = None
        value: str | None = None
        try:
            if book is not None:
                found, value = _pass(book, scope, headers)
        except AccessError as error:
            self._log_now_and_then(error)
        if book is None or found is None:
            return Visitor(address, address, unannounced_proxy=through), None
        renewed = book.used(found)
        holder = Visitor(
            f"pass {found.id}", address, False, found.id, found.name, found.rung, found.benches
        )
        return holder, cookie(scope, value) if renewed and value else None

    def _log_now_and_then(self, error: AccessError) -> None:
        """Strangers ask too, and as often as they like."""
        now = time.monotonic()
        if now > self._quiet_until:
            self._quiet_until = now + _QUIET_S
            _log.error("%s", error)


def _of_a_proxy(header: str) -> bool:
    """Whether a header, in small letters, is one that a proxy adds (RFC 7239; RFC 9110, 7.6.3)."""
    return header in _OF_A_PROXY or header.startswith(_OF_A_PROXY_TOO)


def book_of(scope: Scope) -> Book | None:
    """The server's book of access; None where it listens to its own computer alone."""
    found: Book | None = scope["app"].state.server.access
    return found


def _pass(book: Book, scope: Scope, headers: Headers) -> tuple[Pass | None, str | None]:
    """The pass that is shown; and the value of the cookie, where it is one. Raises AccessError."""
    said = headers.get("authorization")
    value = HTTPConnection(scope).cookies.get(_cookie_name(scope))
    if said is None:
        return (None if value is None else book.find("device", value)), value
    scheme, _, token = said.partition(" ")
    return (book.find("token", token.strip()) if scheme.lower() == "bearer" else None), None


def cookie(scope: Scope, value: str) -> str:
    """The Set-Cookie header that gives a device its pass; with an empty value it takes it away.

    RFC 6265; SameSite as in its draft successor.
    """
    kept = DEVICE_FOR_S if value else 0
    parts = [f"{_cookie_name(scope)}={value}", f"Max-Age={kept}", "Path=/", "HttpOnly"]
    parts.append("SameSite=Strict")
    if scope["scheme"] == "https":
        parts.append("Secure")
    return "; ".join(parts)


def _cookie_name(scope: Scope) -> str:
    """With the port as the browser sees it: it sends the cookies of one port of a host to every
    other (RFC 6265, 8.5), and a computer may have two servers."""
    host = Headers(scope=scope).get("host", "")
    port = host.rpartition(":")[2]
    if not port.isdecimal() or host.endswith("]"):
        port = "443" if scope["scheme"] == "https" else "80"
    return f"{COOKIE}{port}"


def _with_cookie(send: Send, cookie: str) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            # A device that leaves keeps none.
            MutableHeaders(scope=message).setdefault("Set-Cookie", cookie)
        await send(message)

    return sent
