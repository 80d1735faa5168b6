"""The dependencies of the handlers."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

from fastapi import Body, Depends, Request
from sqlalchemy import Connection

from api.server import Server
from api.store.authors import Author
from api.web.kept import KeptAnswers
from api.web.shapes import EmptyIn, SignedIn
from api.web.visitors import visitor


# They are coroutines, since FastAPI runs a plain function in a thread, which costs each request a
# tenth of a millisecond.
async def _server(request: Request) -> Server:
    server: Server = request.app.state.server
    return server


async def _kept(request: Request) -> KeptAnswers:
    kept: KeptAnswers = request.app.state.kept
    return kept


def author(request: Request) -> Author:
    """Who asks: by which pass, none at this computer. A body may name a person (`naming`)."""
    return Author(through=visitor(request.scope).name)


async def _author(request: Request) -> Author:
    return author(request)


def _store(server: Annotated[Server, Depends(_server)]) -> Iterator[Connection]:
    with server.reading() as connection:
        yield connection


def any_caliper(request: Request) -> bool:
    """Whether who asks may have any device or address opened: at the server's own computer, and
    where the server was started so. Else only what is plugged in and listed."""
    server: Server = request.app.state.server
    return visitor(request.scope).local or server.settings.allow_network_calipers


async def _any_caliper(request: Request) -> bool:
    return any_caliper(request)


async def _nothing(_body: Annotated[EmptyIn | None, Body()] = None) -> None:
    pass


async def _signed(
    author: Annotated[Author, Depends(_author)],
    body: Annotated[SignedIn | None, Body()] = None,
) -> Author:
    return author if body is None else author.naming(body.who)


NothingToSay = Depends(_nothing)
"""For routes whose address says all."""

AnyCaliper = Annotated[bool, Depends(_any_caliper)]
TheAuthor = Annotated[Author, Depends(_author)]
TheSigned = Annotated[Author, Depends(_signed)]
"""Who asks, by a body that says nothing else."""
TheServer = Annotated[Server, Depends(_server)]
# Given back before the answer is sent: its reader may be slow, and the connections are few.
TheStore = Annotated[Connection, Depends(_store, scope="function")]
TheKept = Annotated[KeptAnswers, Depends(_kept)]
