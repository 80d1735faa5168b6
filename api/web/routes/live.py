"""Live events of a bench."""

from __future__ import annotations

import asyncio
from typing import Annotated

from fastapi import APIRouter, Header, Query, Request
from fastapi.responses import StreamingResponse
from sqlalchemy.exc import DBAPIError

from api.server import Server
from api.store.rows import events
from api.web.deps import TheServer
from api.web.live import Live
from api.web.shapes import BenchName
from capture.spec import MAIN_BENCH

router = APIRouter(tags=["live"])


@router.get(
    "/live",
    response_class=StreamingResponse,
    responses={200: {"content": {"text/event-stream": {"schema": {"type": "string"}}}}},
)
async def follow_events(
    request: Request,
    server: TheServer,
    bench: BenchName = MAIN_BENCH,
    after: Annotated[int | None, Query(ge=0, description="the last event already seen")] = None,
    last_event_id: Annotated[int | None, Header(ge=0)] = None,
) -> StreamingResponse:
    """Server-Sent Events of a bench: what comes after the event seen last, or from now on."""
    seen = last_event_id if last_event_id is not None else after
    latest = await asyncio.to_thread(_latest, server, seen or 0)
    # A reader may have seen more events than the store has, where that was restored from a backup.
    seen = latest if seen is None else min(seen, latest)
    streams: Live = request.app.state.live
    return streams.follow(bench, seen)


def _latest(server: Server, seen: int) -> int:
    """The number of the latest event; `seen` while the store fails, which a reader must see then
    more than ever."""
    try:
        with server.reading() as store:
            return events.last_event_id(store)
    except DBAPIError as error:
        server.condition.met(error)
        return seen
