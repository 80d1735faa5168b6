"""The series, the latest first, page by page."""

from __future__ import annotations

from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Query, Request, Response

from api.answers.methods import method_named
from api.answers.series import many_scored
from api.store.rows.machines import machine as machine_row
from api.store.rows.machines import parse_id
from api.store.rows.series import latest_series
from api.web.contract import may
from api.web.convert.series_list import series_line
from api.web.deps import TheServer, TheStore
from api.web.shapes.series_list import SeriesPage

router = APIRouter(tags=["series"])

MOST = 500


@router.get("/series", responses=may(404))
def list_series(
    request: Request,
    response: Response,
    server: TheServer,
    store: TheStore,
    machine: Annotated[str | None, Query(description="id or name")] = None,
    method: str | None = None,
    limit: Annotated[int, Query(ge=1, le=MOST)] = 50,
    before: Annotated[
        UUID | None, Query(description="a series: only those started before it")
    ] = None,
) -> SeriesPage:
    """Series with what they say, the latest started first.

    The `Link` header (RFC 8288) with rel="next" is the address of the next page.
    """
    if method is not None:
        method_named(store, method, server.methods)
    machine_id = None if machine is None else machine_row(store, parse_id(machine)).id
    found = latest_series(store, machine=machine_id, method=method, before=before, limit=limit + 1)
    shown = found[:limit]
    following = shown[-1] if len(found) > limit else None
    if following is not None:
        address = request.url.include_query_params(before=str(following))
        response.headers["Link"] = f'<{address}>; rel="next"'
    return SeriesPage(
        series=[series_line(each) for each in many_scored(store, shown)], before=following
    )
