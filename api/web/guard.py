"""Checks on every request before it reaches a route: that it is meant for this server, comes from
its own pages or from a program, and is not too large.

A browser lets any page on the internet send requests to an address of this computer or of its
network without the person noticing. Such a page cannot set the `Host`, cannot hide its `Origin`,
and cannot send JSON to another origin without asking first (WHATWG Fetch). So these three are
checked, also from loopback, where everything else is trusted.
"""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Iterable
from typing import Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.addresses import anywhere, plain
from api.answers import notebook
from api.web.problems import no_such_address, problem
from api.web.verbs import READING, WITH_BODY, allowed

LARGEST: Final = 1_000_000
"""Bytes of a request's body, except for an old notebook's."""

_NOTEBOOK: Final = "/api/load"
_LOOPBACK_NAMES: Final = frozenset(("localhost", "127.0.0.1", "::1"))


class Guard:
    """Answers requests that must not reach `app` with a problem document that says what to do.

    bound: the host that the server listens on. allowed: further names of it.
    """

    def __init__(self, app: ASGIApp, bound: str, allowed: Iterable[str] = ()) -> None:
        self._app = app
        self._everywhere = anywhere(bound)
        own = {plain(bound), *map(plain, allowed), *_LOOPBACK_NAMES}
        if self._everywhere:
            name = socket.gethostname().lower()
            own |= {name, name.partition(".")[0], f"{name.partition('.')[0]}.local"}
        self._own = frozenset(own)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        largest = notebook.LARGEST if scope["path"] == _NOTEBOOK else LARGEST
        refusal = self._refusal(scope, largest)
        if refusal is None:
            await self._app(scope, _counted(receive, largest), send)
            return
        status, detail = refusal
        # Only the 422 can come from an address that a person typed.
        answer = (
            no_such_address(Request(scope), detail) if status == 422 else problem(status, detail)
        )
        await answer(scope, receive, send)

    def _refusal(self, scope: Scope, largest: int) -> tuple[int, str] | None:
        headers, method = Headers(scope=scope), scope["method"]
        host = headers.getlist("Host")
        if len(host) != 1 or not self._is_own(_name(host[0])):
            said = ", ".join(host) or "no host"
            return 421, (
                f"this server is not {said}; if it is meant to be, start it with --allow-host and"
                " that name"
            )
        if "\0" in scope["path"] or b"%00" in scope["query_string"]:
            return 422, "an address must not contain a NUL; leave it out"
        if scope["path"].endswith("\n"):
            # A route's pattern takes it for the address without it, and no comparison does.
            return 422, "an address must not end with a line break; leave it out"
        if method in READING:
            return None
        origin, site = headers.get("Origin"), headers.get("Sec-Fetch-Site", "none")
        own = _same(origin, scope["scheme"], host[0])
        if site not in ("same-origin", "none") or not own:
            return 403, "a page of another site may change nothing here; use the pages of this one"
        if method in WITH_BODY:
            wanted = "text/csv" if scope["path"] == _NOTEBOOK else "application/json"
            given = headers.get("Content-Type", "").partition(";")[0].strip().lower()
            # Where nothing takes the method the router says so: no other type would help.
            if given != wanted and method in allowed(Request(scope)):
                said = f"of type {given}" if given else "without a Content-Type"
                return 415, f"this request is {said}; send it with Content-Type: {wanted}"
        if _declared(headers) > largest:
            return 413, _too_large(largest)
        return None

    def _is_own(self, name: str) -> bool:
        return name in self._own or (self._everywhere and _own_address(name))


def _name(host: str) -> str:
    """The name in a Host header, without the port; empty where the header is not valid."""
    try:
        found = urlsplit(f"//{host}")
        _ = found.port  # raises ValueError where it is not a number
    except ValueError:
        return ""
    if found.username is not None or found.path or found.query or found.fragment:
        return ""
    return plain(found.hostname or "")


def _own_address(name: str) -> bool:
    """Whether `name` is an address of this computer: only its own can be bound."""
    try:
        address = ipaddress.ip_address(name)
    except ValueError:
        return False
    family = socket.AF_INET if address.version == 4 else socket.AF_INET6
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as probe:
            probe.bind((name, 0))
    except OSError:
        return False
    return True


def _same(origin: str | None, scheme: str, host: str) -> bool:
    """Whether a request's Origin, where it has one, is the host that it was sent to.

    What came by https comes from no page of http, which anybody on the network could have changed.
    What came by http may come from a page of https, where a proxy stands between.
    """
    if origin is None:
        return True
    own, marked, rest = origin.partition("://")
    schemes = ("https",) if scheme == "https" else ("http", "https")
    return bool(marked) and own in schemes and rest.lower() == host.strip().lower()


def _declared(headers: Headers) -> int:
    length = headers.get("Content-Length", "0")
    return int(length) if length.isascii() and length.isdigit() else 0


def _counted(receive: Receive, largest: int) -> Receive:
    """`receive`, which fails with a 413 after more than `largest` bytes."""
    came = 0

    async def counted() -> Message:
        nonlocal came
        message = await receive()
        came += len(message.get("body", b""))
        if came > largest:
            raise HTTPException(413, _too_large(largest))
        return message

    return counted


def _too_large(largest: int) -> str:
    return f"a body here has at most {largest // 1_000_000} MB; send it in parts"
