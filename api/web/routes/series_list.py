"""The series, the latest first, page by page."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal
from uuid import UUID

from fastapi import APIRouter, Query, Request, Response
from sqlalchemy import Connection

from api.answers.methods import method_named
from api.answers.series import many_scored
from api.store.rows.machines import machine as machine_row
from api.store.rows.machines import parse_id
from api.store.rows.series import latest_series
from api.web import convert
from api.web.deps import TheServer, TheStore
from api.web.shapes import Out, SeriesHead

router = APIRouter(tags=["series"])

MOST = 500


class QuantitySummary(Out):
    """What a series says of one quantity, in `unit`; null where too few trials say anything."""

    unit: Literal["deg", "mm"]
    trials: int
    mean: float | None
    sd: float | None
    expanded_uncertainty: float | None
    coverage_factor: float | None
    tolerance: float | None
    verdict: Literal["good enough", "needs adjusting", "cannot tell yet"] | None
    direction: str
    sentence: str


class SeriesLine(SeriesHead):
    """A series in a list: its head and what it says, without its trials."""

    trials: int
    quantities: dict[str, QuantitySummary]


class SeriesPage(Out):
    """`before` gets the next page, null on the last one."""

    series: list[SeriesLine]
    before: UUID | None


@router.get("/series")
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
    return SeriesPage(series=series_lines(store, shown), before=following)


def series_lines(connection: Connection, series: Sequence[UUID]) -> list[SeriesLine]:
    """The heads of these series and what their trials say, in the order given."""
    lines = []
    for found in many_scored(connection, series):
        score = convert.score_out(found)
        quantities = {n: QuantitySummary.model_validate(q) for n, q in score.quantities.items()}
        head = dict(convert.series_head(found.row))
        lines.append(SeriesLine(**head, trials=score.trials, quantities=quantities))
    return lines
