"""The pages of series: the list, one series, its report."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final
from uuid import UUID

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from sqlalchemy import Connection

from analysis.sentences import capital
from analysis.units import Unit
from api import MADE_BY
from api.answers.known import known
from api.answers.series import many_scored
from api.answers.work import WorkAnswer, work
from api.errors import InvalidField, NotFound
from api.store.rows.events import last_event_id
from api.store.rows.machines import machine as machine_row
from api.store.rows.machines import machines as machine_rows
from api.store.rows.machines import parse_id
from api.store.rows.measured import running
from api.store.rows.series import latest_series
from api.store.stamps import now
from api.web.asked.work import work_of
from api.web.convert.known import known_out
from api.web.convert.series_list import series_line
from api.web.deps import TheServer, TheStore
from api.web.pages.bench.view import cautions_for
from api.web.pages.series import parts as series_view
from api.web.pages.series.parts import QuantityView, SeriesView
from api.web.pages.shared.rendering import page

router = APIRouter(include_in_schema=False)

_ON_A_PAGE: Final = 25
# The joint and gap shown at first; such a gap can just be seen. Common practice, no source.
_USUAL_WORK: Final[dict[Unit, tuple[str, str]]] = {"mm": ("150", "0.1"), "in": ("6", "0.004")}


@router.get("/series")
def all_series(
    request: Request,
    server: TheServer,
    store: TheStore,
    machine: str = "",
    method: str = "",
    before: str = "",
) -> HTMLResponse:
    """The series of all machines and methods, or of one, the latest first."""
    problem = ""
    found: list[UUID] = []
    try:
        found = latest_series(
            store,
            machine=machine_row(store, parse_id(machine)).id if machine else None,
            method=method if method in server.methods else None,
            before=_uuid(before) if before else None,
            limit=_ON_A_PAGE + 1,
        )
    except (NotFound, InvalidField) as error:
        problem = f"{capital(str(error))}. Choose again below."
    shown = [series_line(each) for each in many_scored(store, found[:_ON_A_PAGE])]
    return page(
        request,
        "series/list.html",
        part="series",
        lines=shown,
        following=shown[-1].id if len(found) > _ON_A_PAGE else None,
        running=running(store),
        machines=machine_rows(store),
        methods=server.methods,
        asked={"machine": machine, "method": method, "before": before},
        problem=problem,
    )


@router.get("/series/{series_id}")
def one_series(request: Request, store: TheStore, series_id: str) -> HTMLResponse:
    """A series: its result, every trial, its uncertainty, and what the error does to the work."""
    last_event = last_event_id(store)
    try:
        view = _view(store, series_id)
    except NotFound:
        return _missing(request)
    return page(
        request,
        "series/page.html",
        part="series",
        view=view,
        work=_work(view),
        last_event=last_event,
        cautions=cautions_for(view.method.cautions),
        origins=series_view.ORIGINS,
        aside=series_view.ASIDE,
    )


@router.get("/series/{series_id}/report")
def report(request: Request, store: TheStore, series_id: str) -> HTMLResponse:
    """The series, to print."""
    try:
        view = _view(store, series_id)
    except NotFound:
        return _missing(request)
    return page(
        request,
        "series/report.html",
        part="series",
        view=view,
        cautions=cautions_for(view.method.cautions),
        origins=series_view.ORIGINS,
        printed=now(),
        made_by=MADE_BY,
    )


@router.get("/series/{series_id}/known")
def how_it_is_known(request: Request, store: TheStore, series_id: str) -> HTMLResponse:
    """The result by its uncertainty budget and by Monte Carlo, side by side."""
    try:
        found = known(store, _uuid(series_id))
    except NotFound:
        return _missing(request)
    return page(request, "series/known.html", part="series", found=found, told=known_out(found))


def _view(store: Connection, series_id: str) -> SeriesView:
    series = _uuid(series_id)
    return series_view.series_view(store, series, series in running(store))


def _uuid(text: str) -> UUID:
    found = parse_id(text)
    if not isinstance(found, UUID):
        raise NotFound("there is no series with that id")
    return found


def _missing(request: Request) -> HTMLResponse:
    return page(
        request,
        "shared/missing.html",
        status=404,
        part="series",
        title="No such series",
        message="There is no series at this address. The Series page lists all series.",
    )


@dataclass(frozen=True, slots=True)
class _Work:
    """What the form asks about the work, and the answer; `refused`: why there is none."""

    query: dict[str, str]
    unit: Unit
    found: WorkAnswer | None
    refused: str


def _work(view: SeriesView) -> _Work | None:
    """What the error does to a joint; None where it is not the error of a cut."""
    of = next((q for q in view.quantities if q.out.unit == "deg"), None)
    if of is None or of.out.mean is None or not (view.method.sided or view.method.pieces):
        return None
    unit = view.series.unit
    joint, gap = _usual_work(view, of)
    query = dict.fromkeys(("width", "height", "pieces"), "") | {
        "angle_deg": f"{of.out.mean:.6f}",
        "u_deg": f"{of.out.expanded_uncertainty or 0:.6f}",
        "joint": joint,
        "gap": gap,
    }
    if view.series.pieces is not None:
        query["pieces"] = str(view.series.pieces)
    try:
        asked = work_of(joint, None, None, query["pieces"], gap, unit)
        u = math.radians(of.out.expanded_uncertainty or 0.0)
        found = work(math.radians(of.out.mean), u, asked)
    except InvalidField as error:
        return _Work(query, unit, None, f"{capital(error.message)}.")
    return _Work(query, unit, found, "")


def _usual_work(view: SeriesView, of: QuantityView) -> tuple[str, str]:
    """The joint and the gap of the series' own tolerance, else usual ones."""
    series = view.series
    joint, gap = _USUAL_WORK[series.unit]
    if series.tolerance is not None and series.tolerance.joint and series.tolerance.gap:
        return series.tolerance.joint, series.tolerance.gap
    if of.key == "tilt" and series.thickness:
        return series.thickness, gap  # an edge joint is as long as the board is thick
    return joint, gap
