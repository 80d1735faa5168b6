"""The pages of machines: the list, one machine, what to move on it, and its card to print."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal
from uuid import UUID

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from markupsafe import Markup
from sqlalchemy import Row

from analysis import sentences
from analysis.advice import ADJUSTING_CAUTIONS
from analysis.methods import AdjustedPart, Quantity
from analysis.units import Unit
from api import MADE_BY
from api.answers import advice, checks, history
from api.answers.history import DriftLine, MachineHistory
from api.answers.machine_state import (
    KIND_WORDS,
    KnownCheck,
    MachineState,
    all_known,
    machine_states,
)
from api.answers.moments import ago, day
from api.answers.next_check import next_check
from api.answers.rules_changed import rules_changed
from api.answers.work import WorkAnswer, work
from api.errors import InvalidField, NotFound
from api.store.rows.machines import parse_id
from api.store.stamps import now
from api.web.asked import number_of
from api.web.asked.advice import adjusting_of
from api.web.asked.work import work_of
from api.web.convert import outward
from api.web.convert.advice import advice_out
from api.web.convert.history import drift_out, halves_out
from api.web.deps import TheStore
from api.web.pages.machine.chart import Change, history_chart
from api.web.pages.shared.leaning import fence_move, leaning
from api.web.pages.shared.rendering import page
from api.web.shapes.advice import AdviceOut
from api.web.shapes.history import DriftOut

router = APIRouter(include_in_schema=False)

_SHOWN: Final = 40  # series in the table; the others are a link away


@router.get("/machines")
def machines(request: Request, store: TheStore) -> HTMLResponse:
    """Every machine with its state and how old that knowledge is."""
    return page(
        request,
        "machine/list.html",
        part="machines",
        machines=[(machine, _headline(how)) for machine, how in machine_states(store)],
        changed=rules_changed(store),
    )


@router.get("/machine/{machine}")
def machine(request: Request, machine: str, store: TheStore) -> HTMLResponse:
    """One machine: its state, its history, what to move, its series."""
    try:
        found = history.read(store, parse_id(machine))
    except NotFound as error:
        return _missing(request, str(error))
    numbered = [Change(n, c.at) for n, c in enumerate(found.changes, 1)]
    return page(
        request,
        "machine/page.html",
        part="machines",
        machine=found.machine,
        headline=_headline(found.state),
        others=[_result(known) for known in found.state.known[1:]],
        halves=None if found.halves is None else halves_out(found.halves),
        lines=[_line(found, line, numbered) for line in found.drift.values()],
        series=[_row(s) for s in reversed(found.series[-_SHOWN:])],
        series_in_all=len(found.series),
        changes=[_change(n, c) for n, c in enumerate(found.changes, 1)][::-1],
        kinds=KIND_WORDS,
        adjusting=_adjusting(found, None, {}),
        work=_work({**_angle_of(found.state)}),
    )


@router.get("/machine/{machine}/mend")
def what_to_move(request: Request, machine: str, store: TheStore) -> HTMLResponse:
    """What to move, step by step, with what the query says of the fence."""
    try:
        found = history.read(store, parse_id(machine))
    except NotFound as error:
        return _missing(request, str(error))
    query = dict(request.query_params)
    series = None
    if query.get("series"):
        try:
            series = checks.of_series(store, UUID(query["series"]))
        except ValueError:
            series = None
        if series is None or series.row.machine_id != found.machine.id:
            return _missing(request, "That series is not one of this machine.")
    return page(
        request,
        "machine/adjust.html",
        part="machines",
        machine=found.machine,
        adjusting=_adjusting(found, series, query),
    )


@router.get("/machine/{machine}/card")
def card(request: Request, machine: str, store: TheStore) -> HTMLResponse:
    """The state of the machine, to print and put on it."""
    try:
        found = history.read(store, parse_id(machine))
    except NotFound as error:
        return _missing(request, str(error))
    return page(
        request,
        "machine/card.html",
        part="machines",
        machine=found.machine,
        headline=_headline(found.state),
        others=[_result(known) for known in found.state.known[1:4]],
        printed=day(now()),
        made_by=MADE_BY,
        due=next_check(found, now()),
    )


@router.get("/work")
def work_page(request: Request) -> HTMLResponse:
    """What an angle error does to the work, and what error a gap allows."""
    return page(
        request,
        "machine/work.html",
        part="machines",
        work=_work(dict(request.query_params)),
    )


def _missing(request: Request, message: str) -> HTMLResponse:
    return page(
        request,
        "shared/missing.html",
        status=404,
        title="No such machine",
        message=f"{sentences.capital(message).partition(';')[0].rstrip('.')}."
        " The Machines page lists all of them.",
    )


# ---------------------------------------------------------------- the state


@dataclass(frozen=True, slots=True)
class _Result:
    """What one series says, ready for a template; values in degrees or mm."""

    known: KnownCheck
    leans: str
    view: str
    value: float
    expanded: float
    unit: Literal["deg", "mm"]
    tapers: str
    tolerance: str
    verdict: str | None
    method: str
    checked: str
    drawing: Markup
    half: str | None


@dataclass(frozen=True, slots=True)
class _Headline:
    """The state of a machine: its main result, the age of that, and whether it still holds."""

    result: _Result | None
    verdict: str | None
    age: str
    caveat: str
    running: bool


def _headline(how: MachineState) -> _Headline:
    if not how.known:
        return _Headline(None, None, "", "", running=False)
    first = how.known[0]
    return _Headline(
        _result(first),
        how.verdict,
        how.age,
        how.caveat,
        running=first.series.row.finished_at is None,
    )


def _result(known: KnownCheck) -> _Result:
    check, relation = known.check, known.relation
    angular = check.quantity != "length"
    toward = sentences.direction(check.mean, check.expanded, relation.toward) if angular else ""
    tapers = (
        f"{sentences.taper(check.mean, check.expanded, 'mm')},"
        f" {sentences.taper(check.mean, check.expanded, 'in')}"
    )
    return _Result(
        known=known,
        leans=toward,
        view=relation.view,
        value=outward(check.mean, check.quantity),
        expanded=outward(check.expanded, check.quantity),
        unit="deg" if angular else "mm",
        tapers=tapers if angular else "",
        tolerance=check.tolerance.text if check.tolerance else "",
        verdict=check.verdict,
        method=known.series.facts.method.title,
        checked=day(known.at),
        drawing=Markup(leaning(relation, check.mean, check.expanded)),
        half=known.half,
    )


def _angle_of(how: MachineState) -> dict[str, str]:
    """The angle of the cut that matters most for the work, as a query gives it."""
    for known in how.known:
        if known.check.quantity == "angle" and known.relation.view.startswith("seen from above"):
            return {
                "angle_deg": f"{outward(known.check.mean, 'angle'):.6f}",
                "u_deg": f"{outward(known.check.expanded, 'angle'):.6f}",
            }
    return {}


# ---------------------------------------------------------------- the history


@dataclass(frozen=True, slots=True)
class _Line:
    """One chart of the history, and the same in words and numbers."""

    title: str
    drift: DriftOut
    chart: Markup
    up: str
    down: str
    phases: list[dict[str, object]]
    first: str
    last: str


def _line(found: MachineHistory, of: DriftLine, changes: Sequence[Change]) -> _Line:
    line = drift_out(of)
    latest = of.known[-1]
    relation, what = latest.relation, latest.relation.words
    if line.half:
        what += f", {line.half} half of the fence"
    title = f"{latest.series.facts.method.title}: {what}"
    check = latest.check
    tolerance = None
    if check.tolerance is not None:
        middle = (check.tolerance.low + check.tolerance.high) / 2 if line.unit == "mm" else 0.0
        tolerance = (
            outward(check.tolerance.low - middle, line.quantity),
            outward(check.tolerance.high - middle, line.quantity),
        )
    numbered = {c.id: n for n, c in enumerate(found.changes, 1)}
    return _Line(
        title=title,
        drift=line,
        chart=Markup(history_chart(line, changes, tolerance, title)),
        up=relation.toward[0] if line.unit == "deg" else "longer than wanted",
        down=relation.toward[1] if line.unit == "deg" else "shorter than wanted",
        phases=[
            {
                "phase": p,
                "numbers": [numbered[c] for c in p.setup_changes],
                "first": day(line.at[p.start]) if p.checks else "",
                "last": day(line.at[p.stop - 1]) if p.checks else "",
            }
            for p in line.phases
        ],
        first=day(line.at[0]),
        last=day(line.at[-1]),
    )


def _change(number: int, change: Row[Any]) -> dict[str, object]:
    return {
        "number": number,
        "kind": change.kind,
        "words": KIND_WORDS.get(change.kind, change.kind),
        "day": day(change.at),
        "ago": ago(change.at, now()),
        "note": change.note,
    }


def _row(series: checks.CheckedSeries) -> dict[str, object]:
    return {
        "id": series.id,
        "day": day(series.row.started_at),
        "running": series.row.finished_at is None,
        "method": series.facts.method.title,
        "trials": series.trials,
        "results": [_result(known) for known in all_known(series)],
        "calipers": ", ".join(series.calipers),
        "note": series.row.note,
    }


# ---------------------------------------------------------------- adjusting, and the work


@dataclass(frozen=True, slots=True)
class _Adjusting:
    """The form about the fence as it was filled in, and what to move."""

    query: dict[str, str]
    series: str
    unit: Unit
    pivot: Literal["left", "right"]
    asks_fence: bool
    asks_span: bool
    asks_screw: bool
    asks_angle: bool
    advice: AdviceOut | None
    adjusted_by: dict[Quantity, AdjustedPart | None]
    drawings: dict[str, Markup]
    measured: str
    method: str
    noun: str
    refused: str
    field: str
    cautions: Sequence[str]


def _adjusting(
    found: MachineHistory,
    series: checks.CheckedSeries | None,
    query: dict[str, str],
) -> _Adjusting | None:
    """None where nothing was measured."""
    chosen = bool(query.get("series"))
    if series is None:
        if not found.state.known:
            return None
        series = found.state.known[0].series
    unit: Unit = "in" if query.get("unit", series.row.unit) == "in" else "mm"
    pivot: Literal["left", "right"] = "right" if query.get("pivot") == "right" else "left"
    method = series.facts.method
    answer, refused, field = None, "", ""
    try:
        adjusting = adjusting_of(
            pivot,
            query.get("span"),
            query.get("pitch"),
            query.get("setting"),
            unit,
            query.get("setting_deg"),
        )
        answer = advice_out(advice.series_advice(found, series, adjusting))
    except InvalidField as error:
        refused, field = f"{sentences.capital(error.message)}.", error.field
    return _Adjusting(
        query=query,
        series=str(series.id) if chosen else "",
        unit=unit,
        pivot=pivot,
        asks_fence=advice.uses_fence(method),
        asks_span=advice.uses_span(method),
        asks_screw=advice.uses_screw(method),
        asks_angle=advice.sets_angle(method),
        advice=answer,
        adjusted_by={r.quantity: r.adjusted_by for r in method.relations},
        drawings={
            m.quantity: Markup(fence_move(pivot, m.move.toward_board))
            for m in (answer.advice if answer else ())
            if m.move is not None and m.move.toward_board is not None
        },
        measured=day(series.row.started_at),
        method=method.title,
        noun=method.noun,
        refused=refused,
        field=field,
        cautions=ADJUSTING_CAUTIONS,
    )


_WORK_FIELDS: Final = ("angle_deg", "u_deg", "joint", "width", "height", "pieces", "gap", "unit")


@dataclass(frozen=True, slots=True)
class _Work:
    query: dict[str, str]
    unit: Unit
    found: WorkAnswer | None
    refused: str
    field: str


def _work(query: dict[str, str]) -> _Work:
    unit: Unit = "in" if query.get("unit") == "in" else "mm"
    given = {name: query.get(name, "") for name in _WORK_FIELDS}
    if not any(given[name] for name in ("joint", "width", "height", "pieces", "gap")):
        given["joint"] = "150" if unit == "mm" else "6"
    try:
        asked = work_of(
            given["joint"], given["width"], given["height"], given["pieces"], given["gap"], unit
        )
        angle = number_of("angle_deg", given["angle_deg"])
        u = number_of("u_deg", given["u_deg"]) or 0.0
        found = work(None if angle is None else math.radians(angle), math.radians(u), asked)
    except InvalidField as error:
        return _Work(given, unit, None, f"{sentences.capital(error.message)}.", error.field)
    return _Work(given, unit, found, "", "")
