"""Limits that are fair: what comes from one pass, or from one address without one, leaves the
others their share. This computer's own requests have none.

A request that waits for its body, or an answer for its reader, takes no turn: only what may take
a thread or a connection to the store does, from its body's end until its answer begins.
"""

from __future__ import annotations

import asyncio
import math
import threading
import time
from collections import Counter
from collections.abc import AsyncIterator, Hashable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Final

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.access.rungs import Rung
from api.addresses import network
from api.web import live
from api.web.ladder import need
from api.web.problems import problem
from api.web.verbs import WITH_BODY
from api.web.visitors import Visitor, visitor

MOST_LIVE: Final = 16
"""Live streams of one visitor."""

AT_ONCE_EACH: Final = 6
"""Requests of one visitor that have their turn at once; a browser has six connections."""

AT_ONCE: Final = 10
"""The same of all other computers. The threads are 40, and the store's connections 15, of which
pulls have few: so some are left for this computer's own requests."""

MOST_PULLS: Final = 4
"""Exports that are sent at once. A long one holds a connection to the store until its reader is
done; the benches need some, too."""

_COME_AGAIN_S: Final = 15
_MOST_KNOWN: Final = 10_000
_READINGS: Final = "/api/readings"
_FILES: Final = "/static/"


@dataclass(frozen=True, slots=True)
class Rate:
    """So many in a second for as long as it lasts, and so many at once before."""

    a_second: float
    at_once: int


ASKED: Final = Rate(20, 120)
"""Requests. A page that is opened makes about five, beside its files."""

PRESSES: Final = Rate(200, 400)
"""What comes from a bench, one request each: readings, refusals, what is typed or taken back on its
page. After an hour out of reach many come at once, up to 200 in a request: one counts for each
`A_PRESS` bytes of it. Also the program's own files, which cost little: a page that was never seen
needs about thirty."""

A_PRESS: Final = 1000
"""Bytes, more than a reading has."""


class Bucket:
    """What is left to each of a rate. Moments are arguments, in s."""

    def __init__(self, rate: Rate) -> None:
        self.rate = rate
        self._left: dict[Hashable, tuple[float, float]] = {}

    def take(self, key: Hashable, now: float, number: int = 1) -> float:
        """Take `number` for `key` and return 0; or take nothing and return how long it must wait,
        in s."""
        left = self._now(key, now)
        if left < number:
            return (number - left) / self.rate.a_second
        if key not in self._left and len(self._left) >= _MOST_KNOWN:
            self._forget(now)
        self._left[key] = (left - number, now)
        return 0.0

    def _now(self, key: Hashable, now: float) -> float:
        left, at = self._left.get(key, (float(self.rate.at_once), now))
        return min(self.rate.at_once, left + (now - at) * self.rate.a_second)

    def _forget(self, now: float) -> None:
        """Forget those that have all left, as the unknown have; where that is not enough, all."""
        self._left = {k: v for k, v in self._left.items() if self._now(k, now) < self.rate.at_once}
        if len(self._left) >= _MOST_KNOWN:
            self._left.clear()


class Turns:
    """At most `each` of one key, and `most` of all, at once; the others wait, in the order in
    which they came."""

    def __init__(self, each: int = AT_ONCE_EACH, most: int = AT_ONCE) -> None:
        self._each = each
        self._all = asyncio.Semaphore(most)
        self._own: dict[Hashable, asyncio.Semaphore] = {}
        self._there: Counter[Hashable] = Counter()

    @asynccontextmanager
    async def turn(self, key: Hashable) -> AsyncIterator[None]:
        own = self._own.setdefault(key, asyncio.Semaphore(self._each))
        self._there[key] += 1
        try:
            async with own, self._all:
                yield
        finally:
            self._there[key] -= 1
            if not self._there[key]:
                del self._there[key], self._own[key]


class Pulls:
    """The places of pulls, of which one visitor from another computer has half. Safe to use from
    any thread."""

    def __init__(self, most: int = MOST_PULLS) -> None:
        self._most = most
        self._lock = threading.Lock()
        self._of: Counter[str] = Counter()

    def begin(self, who: Visitor) -> bool:
        """Take a place; False where none is left for `who`. Each that was taken is to `end`."""
        key, own = key_of(who), self._most if who.local else self._most // 2
        with self._lock:
            if self._of.total() >= self._most or self._of[key] >= own:
                return False
            self._of[key] += 1
            return True

    def end(self, who: Visitor) -> None:
        with self._lock:
            self._of[key_of(who)] -= 1
            self._of += Counter()  # forgets those who have none


class Limits:
    """What is left to each visitor of one server."""

    def __init__(self, asked: Rate = ASKED, presses: Rate = PRESSES) -> None:
        self.asked, self.presses = Bucket(asked), Bucket(presses)
        self.live: Counter[str] = Counter()
        self.turns = Turns()


class Limited:
    """Passes on to `app` what keeps the limits of `app.state.limits`, each in its turn; answers the
    rest with 429."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        who = visitor(scope)
        if scope["type"] != "http" or who.local:
            await self._app(scope, receive, send)
            return
        path, key = scope["path"], key_of(who)
        small = path.startswith(_FILES) or need(scope["method"], path).rung is Rung.PRESS
        limits: Limits = scope["app"].state.limits
        bucket = limits.presses if small else limits.asked
        if wait_s := bucket.take(key, time.monotonic(), _size(scope) if small else 1):
            said = (
                f"more than {bucket.rate.a_second:.0f} requests a second come from {name_of(who)};"
                " wait a second, then go on more slowly"
            )
            await _too_much(said, math.ceil(wait_s))(scope, receive, send)
        elif path == live.PATH:
            await self._follow(limits.live, key, who, scope, receive, send)
        elif path == _READINGS or path.startswith(_FILES):
            # Neither takes a thread, and readings share their commit with those beside them.
            await self._app(scope, receive, send)
        else:
            await _in_turn(limits.turns, key, self._app, scope, receive, send)

    async def _follow(
        self,
        following: Counter[str],
        key: str,
        who: Visitor,
        scope: Scope,
        receive: Receive,
        send: Send,
    ) -> None:
        if following[key] >= MOST_LIVE:
            said = (
                f"{MOST_LIVE} live streams are followed from {name_of(who)} already, and no more"
                " may be; close pages that nobody looks at, then try again"
            )
            await _too_much(said, _COME_AGAIN_S)(scope, receive, send)
            return
        following[key] += 1
        try:
            await self._app(scope, receive, send)
        finally:
            following[key] -= 1
            if not following[key]:
                del following[key]


async def _in_turn(
    turns: Turns, key: str, app: ASGIApp, scope: Scope, receive: Receive, send: Send
) -> None:
    """`app`, which has its turn from the end of the body that it reads until its answer begins."""
    turn = turns.turn(key)
    waited = over = False

    async def begin() -> None:
        nonlocal waited
        if not waited:
            await turn.__aenter__()
            waited = True

    async def end() -> None:
        nonlocal over
        if waited and not over:
            over = True
            await turn.__aexit__(None, None, None)

    async def received() -> Message:
        message = await receive()
        if message["type"] == "http.request" and not message.get("more_body", False):
            await begin()
        return message

    async def sent(message: Message) -> None:
        await end()
        await send(message)

    if scope["method"] not in WITH_BODY or Headers(scope=scope).get("Content-Length") == "0":
        await begin()
    try:
        await app(scope, received, sent)
    finally:
        await end()


def _size(scope: Scope) -> int:
    """How many presses a request counts for; one without a length, as many as there may be."""
    headers = Headers(scope=scope)
    if "Transfer-Encoding" in headers:
        return PRESSES.at_once
    said = headers.get("Content-Length", "0")
    size = int(said) if said.isdigit() and len(said) < 10 else 0
    return max(1, min(size // A_PRESS, PRESSES.at_once))


def key_of(who: Visitor) -> str:
    """What a visitor is counted as: a pass, or an address without one."""
    return who.key if who.pass_id is not None else network(who.address)


def name_of(who: Visitor) -> str:
    """The same in a sentence."""
    return who.name or "this device"


def _too_much(said: str, wait_s: int) -> ASGIApp:
    # Closed, so that requests that were sent ahead of their answers end with it.
    return problem(429, said, headers={"Retry-After": str(wait_s), "Connection": "close"})
