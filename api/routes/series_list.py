"""The series, the latest first, page by page."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal
from uuid import UUID

from fastapi import APIRouter, Query, Request, Response
from sqlalchemy import Connection, select, tuple_

from analysis.methods import METHODS
from api.needs import TheStore
from api.problems import BadField
from api.shapes import Out, SeriesHead
from api.shop import parse_id
from api.store import queries
from api.store.journal import NotThere
from api.store.scores import scores
from api.store.tables import Series

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
    store: TheStore,
    machine: Annotated[str | None, Query(description="id or name")] = None,
    method: str | None = None,
    limit: Annotated[int, Query(ge=1, le=MOST)] = 50,
    before: Annotated[
        UUID | None, Query(description="a series: only those begun before it")
    ] = None,
) -> SeriesPage:
    """Series with what they say, the latest begun first.

    The `Link` header (RFC 8288) with rel="next" is the address of the next page.
    """
    if method is not None and method not in METHODS:
        raise BadField("method", f"there is no method {method!r}; use one of {', '.join(METHODS)}")
    machine_id = None if machine is None else queries.machine(store, parse_id(machine)).id
    found = latest_series(store, machine=machine_id, method=method, before=before, limit=limit + 1)
    shown = found[:limit]
    following = shown[-1] if len(found) > limit else None
    if following is not None:
        address = request.url.include_query_params(before=str(following))
        response.headers["Link"] = f'<{address}>; rel="next"'
    return SeriesPage(series=series_lines(store, shown), before=following)


def latest_series(
    connection: Connection,
    *,
    machine: UUID | None = None,
    method: str | None = None,
    before: UUID | None = None,
    limit: int | None = None,
) -> list[UUID]:
    """The ids of series, the latest begun first.

    Raises BadField where no series has the id `before`.
    """
    query = select(Series.id).order_by(Series.started_at.desc(), Series.id.desc()).limit(limit)
    if machine is not None:
        query = query.where(Series.machine_id == machine)
    if method is not None:
        query = query.where(Series.method == method)
    if before is not None:
        try:
            last = queries.series_row(connection, before)
        except NotThere as error:
            raise BadField("before", f"{error}; take it from an earlier page") from None
        # As one value, so that an index leads to where the page begins.
        query = query.where(tuple_(Series.started_at, Series.id) < (last.started_at, last.id))
    return list(connection.scalars(query))


def series_lines(connection: Connection, series: Sequence[UUID]) -> list[SeriesLine]:
    """The heads of these series and what their trials say, in the order given."""
    return [
        SeriesLine(
            **dict(queries.series_head(row)),
            trials=score.trials,
            quantities={
                name: QuantitySummary.model_validate(q) for name, q in score.quantities.items()
            },
        )
        for row, score in scores(connection, series)
    ]
