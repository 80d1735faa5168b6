"""The door: a request goes on where its visitor may do what it asks for, before anything of its
body is read."""

from __future__ import annotations

import logging
import time
from collections.abc import Iterable
from typing import Final

from fastapi import HTTPException, Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.access.book import AccessError, Book
from api.access.rungs import Rung
from api.web.ladder import Need, need
from api.web.pages.access.door import door
from api.web.pages.shared.addresses import bench_page
from api.web.problems import problem, wants_page
from api.web.visitors import Visitor, book_of, visitor

_log = logging.getLogger(__name__)

_LOOK_AGAIN_S: Final = 5.0

_HOW_IN: Final = (
    "this server answers from other computers only who was let in; scan the code of an invitation"
    " with this device, or run on the server's computer: bothends access invite"
)
_HOW_A_PROGRAM: Final = (
    "; a program needs a token, made there by: bothends token add NAME --may press (or read, run,"
    " admin), and sent as Authorization: Bearer"
)
_PROXY: Final = (
    "this request came through a proxy that the server was not told of; start it with --behind and"
    " the proxy's address"
)
_ENDED: Final = (
    "the access that this request began with was ended before the request was whole; nothing of it"
    " was stored or changed"
)
_CHALLENGE: Final = {"WWW-Authenticate": "Bearer"}
_MEANT: Final = {
    Rung.READ: "reading",
    Rung.PRESS: "sending readings",
    Rung.RUN: "changing what is recorded",
    Rung.ADMIN: "changing calipers and who is let in",
}


class _Ended(Exception):
    """The pass of who reads an answer has ended meanwhile."""


class Admitted:
    """Passes on to `app` what its visitor may ask for, and refuses the rest: 401 without a pass,
    403 with one that may too little. A stream, and a body that is long in coming, ends soon after
    its visitor's pass."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        who = visitor(scope)
        if who.local:
            await self._app(scope, receive, send)
            return
        # As the router sees it: the path of a URL made of it can be another one.
        wanted = need(scope["method"], scope["path"])
        refused = _refusal(Request(scope), who, wanted)
        if refused is not None:
            await refused(scope, receive, send)
            return
        book = book_of(scope)
        if book is not None and who.pass_id is not None and wanted.rung is not None:
            receive, send = _while_living(book, who.pass_id, receive, send)
        try:
            await self._app(scope, receive, send)
        except _Ended:
            # The answer stays without its end, so that nobody takes it for whole.
            _log.warning("%s is let in no more: what it was reading has ended", who.name)


def _refusal(request: Request, who: Visitor, wanted: Need) -> Response | None:
    if wanted.rung is None:
        return None
    if who.rung is None:
        return _not_let_in(request, _PROXY if who.unannounced_proxy else "")
    if not who.may(wanted.rung):
        return problem(403, too_low(who, wanted.rung))
    if wanted.bench is not None and not who.may_press(wanted.bench):
        return problem(403, not_its_bench(who, wanted.bench))
    return None


def _not_let_in(request: Request, trouble: str) -> Response:
    if wants_page(request) and request.method in ("GET", "HEAD"):
        answer: Response = door(trouble)
        answer.headers.update(_CHALLENGE)
        return answer
    return problem(401, (trouble or _HOW_IN) + _HOW_A_PROGRAM, headers=_CHALLENGE)


def too_low(who: Visitor, rung: Rung) -> str:
    """Why a visitor with a pass is refused, and what to do."""
    assert who.rung is not None
    return (
        f"{who.name} may {who.rung.word} here, and {_MEANT[rung]} needs {rung.word}; ask who runs"
        f" this server for access with --may {rung.word}"
    )


def not_its_bench(who: Visitor, bench: str) -> str:
    """Why readings of a bench are refused from a visitor whose pass is kept to others."""
    own = who.benches or ()
    return (
        f"{who.name} may send readings of bench {', '.join(own)}, not of {bench}; open"
        f" {bench_page(own[0])} and send them there, or ask who runs this server for access with"
        f" --bench {bench}"
    )


def refuse_other_benches(request: Request, benches: Iterable[str]) -> None:
    """Raises HTTPException (403) where a body has readings of a bench that is not the visitor's."""
    who = visitor(request.scope)
    if who.benches is None:
        return
    for bench in benches:
        if not who.may_press(bench):
            raise HTTPException(403, not_its_bench(who, bench))


def _while_living(book: Book, pass_id: str, receive: Receive, send: Send) -> tuple[Receive, Send]:
    """`receive` for a body that may be long in coming, and `send` for an answer in parts, which
    break off where the pass has ended meanwhile."""
    looked = time.monotonic()

    def ended() -> bool:
        nonlocal looked
        if time.monotonic() - looked <= _LOOK_AGAIN_S:
            return False
        looked = time.monotonic()
        try:
            return not book.living(pass_id)
        except AccessError:
            return True

    async def received() -> Message:
        message = await receive()
        if message["type"] == "http.request" and ended():
            raise HTTPException(401, _ENDED, _CHALLENGE)
        return message

    async def sent(message: Message) -> None:
        if message.get("more_body") and ended():
            raise _Ended
        await send(message)

    return received, sent
