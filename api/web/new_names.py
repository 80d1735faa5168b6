"""How many benches, calipers and people one visitor may bring into being: each is there from the
first time that something names it, for good.

People are counted where somebody signs what is done at a bench, which needs least: who may do more
also makes machines and works, and each correction of theirs can be undone.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Collection
from contextlib import suppress
from typing import Any, Final

from fastapi import HTTPException, Request
from fastapi.concurrency import run_in_threadpool
from pydantic import TypeAdapter
from sqlalchemy import Connection, select

from api.access.rungs import Rung
from api.server import Server
from api.store.tables import Bench, Caliper, Person
from api.web.limited import Bucket, Rate, key_of, name_of
from api.web.shapes import Name
from api.web.visitors import visitor

MOST: Final = 100
"""New names of one visitor in a day."""

_DAY_S: Final = 86_400
_NAME: Final = TypeAdapter[str](Name)


class NewNames:
    """The names that are known, and how many new ones each visitor has said."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._benches: set[str] = set()
        self._calipers: set[str] = set()
        self._people: set[str] = set()
        self._left = Bucket(Rate(MOST / _DAY_S, MOST))

    def unknown(
        self, benches: Collection[str], calipers: Collection[str], people: Collection[str]
    ) -> bool:
        """Whether one of them was not looked for yet."""
        return not (
            self._benches.issuperset(benches)
            and self._calipers.issuperset(calipers)
            and self._people.issuperset(people)
        )

    def say(
        self,
        key: str,
        store: Connection,
        benches: Collection[str],
        calipers: Collection[str],
        people: Collection[str],
    ) -> float:
        """0 where `key` may say them; else how long it must wait, in s."""
        with self._lock:
            all_known = self._benches, self._calipers, self._people
            said = zip((benches, calipers, people), all_known, strict=True)
            named = [set(each) - known for each, known in said]
            columns = (Bench.name, Caliper.name, Person.name)
            there = [
                set(store.scalars(select(column).where(column.in_(each)))) if each else set()
                for column, each in zip(columns, named, strict=True)
            ]
            new = sum(map(len, named)) - sum(map(len, there))
            wait_s = self._left.take(key, time.monotonic(), new) if new else 0.0
            for known, found in zip(all_known, there if wait_s else named, strict=True):
                known |= found
        return wait_s


def may_name(
    request: Request,
    benches: Collection[str],
    calipers: Collection[str] = (),
    people: Collection[str] = (),
) -> None:
    """Raises HTTPException (429) where the visitor has said too many new names today."""
    if not _in_question(request, benches, calipers, people):
        return
    who = visitor(request.scope)
    names: NewNames = request.app.state.new_names
    server: Server = request.app.state.server
    with server.reading() as store:
        wait_s = names.say(key_of(who), store, benches, calipers, people)
    if wait_s:
        raise HTTPException(
            429,
            f"{name_of(who)} names more than {MOST} new benches, calipers and people in a day;"
            " nothing was stored. Look whether the names are right, or let them be named once on"
            " the server's own computer",
            {"Retry-After": str(math.ceil(wait_s))},
        )


async def may_name_soon(
    request: Request,
    benches: Collection[str],
    calipers: Collection[str] = (),
    people: Collection[str] = (),
) -> None:
    """`may_name`, in a thread where the store has to be asked."""
    if _in_question(request, benches, calipers, people):
        await run_in_threadpool(may_name, request, benches, calipers, people)


async def may_name_at_its_bench(request: Request) -> None:
    """The same of the bench that the address names, and of who signs what is done there."""
    if request.method == "POST" and not visitor(request.scope).local:
        people: list[str] = []
        with suppress(
            ValueError, RecursionError
        ):  # what is no JSON, or no name, is refused as such
            body: Any = await request.json()
            if isinstance(body, dict) and body.get("who") is not None:
                people = [_NAME.validate_python(body["who"])]
        await may_name_soon(request, [request.path_params["name"]], (), people)


def _in_question(
    request: Request,
    benches: Collection[str],
    calipers: Collection[str],
    people: Collection[str],
) -> bool:
    who = visitor(request.scope)
    if who.local or who.may(Rung.ADMIN):
        return False
    names: NewNames = request.app.state.new_names
    return names.unknown(benches, calipers, people)
