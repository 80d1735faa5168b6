"""How many benches and calipers one visitor may bring into being: each is there from the first time
that something names it, for good."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Collection
from typing import Final

from fastapi import HTTPException, Request
from fastapi.concurrency import run_in_threadpool
from sqlalchemy import Connection, select

from api.access.rungs import Rung
from api.server import Server
from api.store.tables import Bench, Caliper
from api.web.limited import Bucket, Rate, key_of, name_of
from api.web.visitors import visitor

MOST: Final = 100
"""New names of one visitor in a day."""

_DAY_S: Final = 86_400


class NewNames:
    """The names that are known, and how many new ones each visitor has said."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._benches: set[str] = set()
        self._calipers: set[str] = set()
        self._left = Bucket(Rate(MOST / _DAY_S, MOST))

    def unknown(self, benches: Collection[str], calipers: Collection[str]) -> bool:
        """Whether one of them was not looked for yet."""
        return not (self._benches.issuperset(benches) and self._calipers.issuperset(calipers))

    def say(
        self, key: str, store: Connection, benches: Collection[str], calipers: Collection[str]
    ) -> float:
        """0 where `key` may say them; else how long it must wait, in s."""
        with self._lock:
            named = set(benches) - self._benches, set(calipers) - self._calipers
            known = (
                set(store.scalars(select(Bench.name).where(Bench.name.in_(named[0])))),
                set(store.scalars(select(Caliper.name).where(Caliper.name.in_(named[1])))),
            )
            new = len(named[0] - known[0]) + len(named[1] - known[1])
            wait_s = self._left.take(key, time.monotonic(), new) if new else 0.0
            found = known if wait_s else named
            self._benches |= found[0]
            self._calipers |= found[1]
        return wait_s


def may_name(request: Request, benches: Collection[str], calipers: Collection[str] = ()) -> None:
    """Raises HTTPException (429) where the visitor has said too many new names today."""
    if not _in_question(request, benches, calipers):
        return
    who = visitor(request.scope)
    names: NewNames = request.app.state.new_names
    server: Server = request.app.state.server
    with server.reading() as store:
        wait_s = names.say(key_of(who), store, benches, calipers)
    if wait_s:
        raise HTTPException(
            429,
            f"{name_of(who)} names more than {MOST} new benches and calipers in a day; nothing was"
            " stored. Look whether the names are right, or let them be named once on the server's"
            " own computer",
            {"Retry-After": str(math.ceil(wait_s))},
        )


async def may_name_soon(
    request: Request, benches: Collection[str], calipers: Collection[str] = ()
) -> None:
    """`may_name`, in a thread where the store has to be asked."""
    if _in_question(request, benches, calipers):
        await run_in_threadpool(may_name, request, benches, calipers)


async def may_name_its_bench(request: Request) -> None:
    """The same of the bench that the address names, where something is done there."""
    if request.method == "POST":
        await may_name_soon(request, [request.path_params["name"]])


def _in_question(request: Request, benches: Collection[str], calipers: Collection[str]) -> bool:
    who = visitor(request.scope)
    if who.local or who.may(Rung.ADMIN):
        return False
    names: NewNames = request.app.state.new_names
    return names.unknown(benches, calipers)
