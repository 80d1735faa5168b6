"""The history, pulled."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import StreamingResponse

from api.exports import trials
from api.exports.csv import csv_chunks
from api.needs import TheShop
from api.problems import BadField
from api.shapes import aware
from api.shop import parse_id

router = APIRouter(tags=["history"])


@router.get("/trials.csv", response_class=StreamingResponse)
def trials_csv(
    request: Request,
    shop: TheShop,
    machine: Annotated[str | None, Query(description="id or name")] = None,
    method: str | None = None,
    since: Annotated[datetime | None, Query(description="taken at or after")] = None,
    after: Annotated[str | None, Query(description="the cursor of an earlier pull")] = None,
) -> StreamingResponse:
    """All trials as CSV (RFC 4180), or with `after` those that changed since that pull.

    The `Link` header (RFC 8288) with rel="next" is the address to pull the next time.
    """
    wanted = trials.Wanted(
        machine=None if machine is None else parse_id(machine),
        method=method,
        since=None if since is None else aware(since),
        after=None if after is None else _cursor(after),
    )
    connection = shop.engine.connect()
    try:
        upto = trials.cursor(connection)
        rows = trials.rows(connection, wanted)
    except BaseException:
        connection.close()
        raise
    following = request.url.include_query_params(after=str(upto))

    def text() -> Iterator[str]:
        with connection:
            yield from csv_chunks(trials.HEADER, rows)

    return StreamingResponse(
        text(),
        media_type="text/csv; charset=utf-8; header=present",
        headers={
            "Link": f'<{following}>; rel="next"',
            "Content-Disposition": 'attachment; filename="trials.csv"',
        },
    )


def _cursor(text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 19):
        raise BadField("after", f"{text!r} is no cursor; take it from an earlier Link header")
    return int(text)
