"""Pulls of the history: all of it, or what is new since the last pull."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator
from contextlib import ExitStack, closing
from dataclasses import replace
from datetime import datetime
from itertools import chain
from typing import Annotated, Any, Final

from anyio import CancelScope
from fastapi import APIRouter, Depends, Header, HTTPException, Query, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import StreamingResponse
from sqlalchemy import Connection
from starlette.types import Receive, Scope, Send

from api import MADE_BY, VERSION
from api.answers.methods import method_named
from api.answers.moments import aware
from api.errors import InvalidField, NotFound
from api.exports import cursor, formats, package
from api.exports.expected import HEADER, MADE_BY_HEADER, expected_rows
from api.exports.extras import MissingExtra
from api.exports.snapshot import snapshot
from api.exports.wanted import Wanted
from api.server import Server
from api.store.rows import machines as rows
from api.store.rows.machines import parse_id
from api.web.contract import may
from api.web.deps import TheServer
from api.web.limited import Pulls
from api.web.shapes.exports import content_of, file_of
from api.web.verbs import is_head
from api.web.visitors import visitor

router = APIRouter(tags=["history"])

Parts = Generator[bytes, None, None]
_PART: Final = 1 << 18
_ANSWERS: Final[dict[int | str, dict[str, Any]]] = {
    304: {"description": "nothing is new"},
    **may(404),
    410: {"description": "the cursor is of another history; pull everything once more"},
}
_HEADERS: Final = {
    name: {"description": said, "schema": {"type": "string"}}
    for name, said in {
        "Link": 'with rel="next": where to pull the next time',
        "ETag": "for If-None-Match: 304 while nothing is new",
        MADE_BY_HEADER: "the program's version, and the number of its rules",
        HEADER: "about how many rows there are, where that is known beforehand",
    }.items()
}


class _Asked:
    """What the address asks for."""

    def __init__(
        self,
        machine: Annotated[str | None, Query(description="only this machine: id or name")] = None,
        method: Annotated[str | None, Query(description="only of this method")] = None,
        since: Annotated[
            datetime | None, Query(description="only taken at or after; without a zone, UTC")
        ] = None,
        after: Annotated[
            str | None,
            Query(description="only what is new or changed: the cursor of an earlier pull"),
        ] = None,
        if_none_match: Annotated[str | None, Header()] = None,
    ) -> None:
        self.machine = machine
        self.method = method
        self.since = since
        self.after = after
        self.if_none_match = if_none_match

    def wanted(self, connection: Connection) -> Wanted:
        """The query for the store. Raises InvalidField naming what is not valid."""
        machine = None
        if self.machine is not None:
            try:
                machine = rows.machine(connection, parse_id(self.machine)).id
            except NotFound as error:
                raise InvalidField("machine", str(error)) from None
        if self.method is not None:
            method_named(connection, self.method)
        after = None
        if self.after is not None:
            try:
                after = cursor.number(connection, self.after)
            except cursor.NoCursor as error:
                raise InvalidField("after", str(error)) from None
            except cursor.LostCursor as error:
                raise HTTPException(410, str(error)) from None
        since = None if self.since is None else aware(self.since)
        return Wanted(machine, self.method, since, after)

    def has(self, tag: str) -> bool:
        """Whether the client has what `tag` names (RFC 9110, 13.1.2; compared weakly)."""
        if self.if_none_match is None:
            return False
        theirs = [t.strip().removeprefix("W/") for t in self.if_none_match.split(",")]
        return "*" in theirs or tag.removeprefix("W/") in theirs


def _answer(
    request: Request,
    server: Server,
    asked: _Asked,
    what: str,
    media_type: str,
    chunks: Callable[[Connection, Wanted], Iterator[bytes]],
) -> Response:
    """What was asked for, streamed from one snapshot of the store, and the cursor for the next."""
    filename = request.url.path.rpartition("/")[2]
    with ExitStack() as held:
        pulls: Pulls = request.app.state.pulls
        who = visitor(request.scope)
        if not pulls.begin(who):
            raise HTTPException(503, "too many pulls are running at once; try again in a minute")
        held.callback(pulls.end, who)
        connection = held.enter_context(snapshot(server.engine))
        upto = cursor.latest(connection, cursor.EVENT_KINDS[what])
        tag = f'W/"{VERSION}/{upto}"'
        following = request.url.include_query_params(after=upto)
        headers = {
            "ETag": tag,
            "Link": f'<{following}>; rel="next"',
            MADE_BY_HEADER: MADE_BY,
        }
        wanted = asked.wanted(connection)
        if asked.has(tag):
            return Response(status_code=304, headers=headers)
        rows = expected_rows(connection, what, wanted)
        if rows is not None:
            headers[HEADER] = str(rows)
        if is_head(request):
            # Where a format can't be had is said, too; but some begin only when all is written.
            wanted = replace(wanted, after=cursor.number(connection, upto))
        parts = _gathered(chunks(connection, wanted))
        try:
            # The first part is made here, so that an error can still be answered as one.
            first = next(parts)
        except MissingExtra as error:
            raise HTTPException(501, str(error)) from None
        begun = _held(held.pop_all(), parts, first)
    next(begun)
    headers["Content-Disposition"] = f'attachment; filename="{filename}"'
    return _Pull(begun, media_type, headers)


class _Pull(StreamingResponse):
    """Sends the parts, and closes their generator where the reader leaves early.

    Otherwise it would wait for the garbage collector, which seldom runs in a quiet server, and
    hold its connection and its place among the pulls until then.
    """

    def __init__(self, parts: Parts, media_type: str, headers: dict[str, str]) -> None:
        super().__init__(parts, media_type=media_type, headers=headers)
        self._parts = parts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await super().__call__(scope, receive, send)
        finally:
            with CancelScope(shield=True):
                await run_in_threadpool(self._parts.close)


def _held(held: ExitStack, parts: Parts, first: bytes) -> Parts:
    """The parts, after an empty one; what it holds is released at the end, or where the reader
    leaves: a generator that was never started would not release anything."""
    with held, closing(parts):
        yield b""
        yield from chain([first], parts)


def _gathered(parts: Iterator[bytes]) -> Parts:
    """The same in larger parts, since each is sent to the network separately."""
    held: list[bytes] = []
    size = 0
    for part in parts:
        held.append(part)
        size += len(part)
        if size >= _PART:
            yield b"".join(held)
            held, size = [], 0
    yield b"".join(held)


def _offer(what: str, form: str) -> None:
    offered = formats.FORMATS[form]

    def pull(request: Request, server: TheServer, asked: Annotated[_Asked, Depends()]) -> Response:
        return _answer(
            request,
            server,
            asked,
            what,
            offered.media_type,
            lambda connection, wanted: formats.chunks(connection, what, form, wanted),
        )

    router.add_api_route(
        f"/{what}.{form}",
        pull,
        name=f"export_{what}_{form}",
        summary=f"{what.capitalize()} as {offered.title}",
        description=f"All {what}, or with `after` those new or changed since that pull. The `Link`"
        ' header (RFC 8288) with rel="next" is the address to pull the next time; a request with'
        " `If-None-Match` costs nothing while nothing is new. `Expected-Rows` says about how many"
        " rows there are, where that is known beforehand. `Made-By` names the program's version and"
        " the number of its rules.",
        response_class=StreamingResponse,
        responses={
            **_ANSWERS,
            200: {"content": content_of(what, form), "headers": _HEADERS},
            501: {"description": "the format needs one more package; the answer names it"},
        },
    )


for _what, _forms in formats.OFFERED.items():
    for _form in _forms:
        _offer(_what, _form)


@router.get(
    "/history.zip",
    response_class=StreamingResponse,
    responses={
        **_ANSWERS,
        200: {"content": file_of(package.MEDIA_TYPE), "headers": _HEADERS},
    },
)
def export_history_zip(
    request: Request, server: TheServer, asked: Annotated[_Asked, Depends()]
) -> Response:
    """The whole history as a zipped Tabular Data Package, each table with its keys."""
    return _answer(request, server, asked, "history", package.MEDIA_TYPE, package.package_chunks)
