"""The dependencies of the handlers."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

from fastapi import Body, Depends, HTTPException, Request
from sqlalchemy import Connection

from api.server import Server
from api.web.kept import KeptAnswers
from api.web.shapes import EmptyIn
from api.web.visitors import visitor


# Both are coroutines, since FastAPI runs a plain function in a thread, which costs each request a
# tenth of a millisecond.
async def _server(request: Request) -> Server:
    server: Server = request.app.state.server
    return server


async def _kept(request: Request) -> KeptAnswers:
    kept: KeptAnswers = request.app.state.kept
    return kept


def _store(server: Annotated[Server, Depends(_server)]) -> Iterator[Connection]:
    with server.reading() as connection:
        yield connection


def on_this_computer(request: Request) -> bool:
    """Whether the request comes from the server's own computer."""
    return visitor(request.scope).local


def _here(request: Request) -> None:
    # Requests are not authenticated: without this check, anyone who reaches the port could make
    # this computer open any of its devices, or connect to any address, and read the answer.
    if not on_this_computer(request):
        raise HTTPException(
            403,
            "calipers are added, removed and identified on the server's own computer; open this"
            " page there, or name them at its start with --caliper",
        )


async def _nothing(_body: Annotated[EmptyIn | None, Body()] = None) -> None:
    pass


NothingToSay = Depends(_nothing)
"""For routes whose address says all."""

OnThisComputer = Depends(_here)
"""For routes that only people at the server's own computer may use."""

TheServer = Annotated[Server, Depends(_server)]
# Given back before the answer is sent: its reader may be slow, and the connections are few.
TheStore = Annotated[Connection, Depends(_store, scope="function")]
TheKept = Annotated[KeptAnswers, Depends(_kept)]
