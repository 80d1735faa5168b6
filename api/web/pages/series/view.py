"""The pages of series: the list, one series, its report."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Final
from uuid import UUID

from fastapi import APIRouter, Query, Request
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
from api.store.rows.series import series as series_row
from api.store.rows.stops import with_several
from api.store.stamps import now
from api.web.asked.work import work_of
from api.web.convert.known import known_out
from api.web.convert.series_list import series_line
from api.web.deps import TheServer, TheStore
from api.web.pages.bench.view import cautions_for
from api.web.pages.compare.links import links
from api.web.pages.series import parts as series_view
from api.web.pages.series.correcting import correcting_form
from api.web.pages.series.parts import QuantityView, SeriesView
from api.web.pages.shared.rendering import page
from api.web.pages.shared.trail import signed_acts, trail
from api.web.shapes.series import TrialOut

router = APIRouter(include_in_schema=False)

_ON_A_PAGE: Final = 25
# What one sheet of A4 or letter holds beside the rest, of one quantity and of two: trials with all
# readings (of the first quantity), values alone, and doubts.
_WHOLE: Final = {1: 12, 2: 6}
_VALUES: Final = {1: 250, 2: 60}
_DOUBTS: Final = {1: 5, 2: 3}
# So many trials are shown without unfolding; the readings of so many at once.
_FEW: Final = 6
_READINGS_OF: Final = 25
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
        several=with_several(store),
        following=shown[-1].id if len(found) > _ON_A_PAGE else None,
        running=running(store),
        machines=[
            each
            for each in machine_rows(store, retired=True)
            if each.retired_at is None or machine in (str(each.id), each.name)
        ],
        methods=server.methods,
        asked={"machine": machine, "method": method, "before": before},
        problem=problem,
    )


@router.get("/series/{series_id}")
def one_series(
    request: Request,
    server: TheServer,
    store: TheStore,
    series_id: str,
    start: Annotated[str, Query(alias="from")] = "",
) -> HTMLResponse:
    """A series: its result, every trial, its uncertainty, and what the error does to the work.

    start: of the trials whose readings are shown, by its place; the latest ones without.
    """
    last_event = last_event_id(store)
    try:
        view = _view(store, series_id)
    except NotFound:
        return _missing(request)
    form = correcting_form(store, view.series, view.method, server.methods)
    return page(
        request,
        "series/page.html",
        part="series",
        view=view,
        form=form,
        acts=signed_acts(store, view.series.id),
        trail=trail(store, view.series.corrections, view.method.noun, form.labels),
        work=_work(view),
        compared=links(store, series_row(store, view.series.id)) if view.series.trials else [],
        few=_FEW,
        readings=_readings(view.series.trials, start),
        last_event=last_event,
        cautions=cautions_for(view.method.cautions, view.series.machine.kind),
        origins=series_view.ORIGINS,
        aside=series_view.ASIDE,
        moves=view.method.reveals != ("length",),
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
        cautions=cautions_for(view.method.cautions, view.series.machine.kind),
        origins=series_view.ORIGINS,
        whole=_WHOLE[len(view.quantities)],
        values=_VALUES[len(view.quantities)],
        doubts=_DOUBTS[len(view.quantities)],
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
class _Readings:
    """The trials whose readings are shown, some of many: where they start (the first is 1), and
    where others do, with their numbers. asked: somebody asked for these."""

    trials: Sequence[TrialOut]
    start: int
    others: Sequence[tuple[int, str]]
    asked: bool
    places: Mapping[int, int]

    def of(self, number: int) -> int:
        """Where the readings start among which those of a trial are."""
        return (self.places[number] - 1) // _READINGS_OF * _READINGS_OF + 1


def _readings(trials: Sequence[TrialOut], asked: str) -> _Readings:
    starts = range(1, len(trials) + 1, _READINGS_OF)
    at = int(asked) if asked.isascii() and asked.isdecimal() and len(asked) < 9 else 0
    start = at if at in starts else starts[-1] if starts else 1
    parts = [(first, trials[first - 1 : first - 1 + _READINGS_OF]) for first in starts]
    return _Readings(
        trials=trials[start - 1 : start - 1 + _READINGS_OF],
        start=start,
        others=[(first, f"{part[0].number} to {part[-1].number}") for first, part in parts],
        asked=at in starts,
        places={trial.number: place for place, trial in enumerate(trials, 1)},
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
