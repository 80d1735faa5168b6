"""What methods mean; and those of an address that no route names: HEAD wherever GET is, OPTIONS."""

from __future__ import annotations

from typing import Final

from anyio import CancelScope
from fastapi.routing import iter_route_contexts
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

READING: Final = ("GET", "HEAD", "OPTIONS")
"""Methods that change nothing."""
WITH_BODY: Final = ("POST", "PATCH", "PUT")
"""Methods whose requests may say something in a body."""

_HEAD: Final = "bothends.head"
_END: Final[Message] = {"type": "http.response.body", "body": b"", "more_body": False}


def allowed(request: Request) -> list[str]:
    """The methods that the request's address takes, by name; none where nothing is there."""
    path = request.scope["path"]
    methods: set[str] = set()
    for route in iter_route_contexts(request.app.routes):
        if route.path_regex.match(path):
            methods |= route.methods or {"GET"}  # files have none of their own
    if "GET" in methods:
        methods.add("HEAD")
    return sorted(methods | {"OPTIONS"}) if methods else []


def is_head(request: Request) -> bool:
    """Whether a request that comes as GET was HEAD: of its answer nobody sees the body."""
    return _HEAD in request.scope


class HeadAsGet:
    """Answers HEAD as `app` answers GET, without the body (RFC 9110, 9.3.2).

    A body that comes in parts, as an export or a live stream does, ends with its first: no more of
    it is made.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["method"] != "HEAD":
            await self._app(scope, receive, send)
            return
        ended = False
        with CancelScope() as making:

            async def without_body(message: Message) -> None:
                nonlocal ended
                if message["type"] != "http.response.body":
                    await send(message)
                elif not ended:
                    ended = True
                    await send(_END)
                    # What is whole goes on to its end, where it gives back what it holds.
                    if message.get("more_body", False):
                        making.cancel()

            await self._app({**scope, "method": "GET", _HEAD: True}, receive, without_body)
