"""The Plan page: a form, the answer in sentences, a picture of the errors that can be seen."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any, Final
from uuid import UUID

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from sqlalchemy import Connection

from analysis.conversions import NAMES, measures
from analysis.methods import Method, Quantity
from analysis.sentences import capital, plain
from analysis.units import Unit, parse_number
from api.answers import plan as answers
from api.answers.moments import day
from api.answers.plan import Asked, methods_to_plan
from api.errors import InvalidField, NotFound
from api.store.rows.measured import latest_of_each_machine
from api.web.asked.plan import READING_SD, RESOLUTION, asked_for, usual_width
from api.web.convert.plan import plan_out, table_out
from api.web.deps import TheServer, TheStore
from api.web.pages.bench.view import cautions_for
from api.web.pages.plan import chart as plan_chart
from api.web.pages.shared.charts import short
from api.web.pages.shared.rendering import page

router = APIRouter(include_in_schema=False)

# The fields of the form with their values at first.
_FORM: Final = {
    "by": "deg",
    "error_deg": "0.05",
    "gap": "",
    "joint": "",
    "two_series": "false",
    "method": "reversal",
    "width": "",
    "unit": "mm",
    "cuts": "5",
    "series": "",
    "resolution": "",
    "reading_sd": "",
    "inset": "0",
    "pieces": "",
    "alpha": "0.05",
    "beta": "0.1",
}
_MORE_SETTINGS: Final = ("resolution", "reading_sd", "inset", "pieces", "alpha", "beta")
_WORDS: Final = {
    "error_deg": "the error",
    "cuts": "how many you would make",
    "series": "the series of the machine",
    "resolution": "the caliper's last digit",
    "reading_sd": "how well a reading repeats",
    "alpha": "the risk of seeing an error that is not there",
    "beta": "the risk of missing one that is",
}


@router.get("/plan")
def plan_page(request: Request, server: TheServer, store: TheStore) -> HTMLResponse:
    """The form and its answer; without a query, for the usual values."""
    form = {
        name: request.query_params.get(name, usual)[:100].strip() for name, usual in _FORM.items()
    }
    form["unit"] = form["unit"] if form["unit"] in RESOLUTION else "mm"
    unit: Unit = "in" if form["unit"] == "in" else "mm"
    methods = methods_to_plan(server.methods)
    method = next((m for m in methods if m.key == form["method"]), methods[0])
    values: dict[str, Any] = {
        "asked": form,
        "methods": methods,
        "width_label": capital(method.relations[0].base),
        "usual_width": usual_width(method, unit),
        "usual": {"resolution": RESOLUTION[unit], "reading_sd": READING_SD[unit]},
        "steady": steady(store, methods, method.reveals[0]),
        "more_settings": any(form[name] != _FORM[name] for name in _MORE_SETTINGS),
        "problem": None,
        "found": None,
        "cautions": cautions_for(method.cautions),
        "noun": method.noun,
    }
    status = 200
    try:
        values |= _answer(_asked(store, server.methods, form, unit))
    except InvalidField as error:
        field = _WORDS.get(error.field, error.field)
        values["problem"], status = f"{capital(field)}: {error.message}.", 422
    except NotFound as error:
        values["problem"], status = f"{capital(str(error))}.", 404
    return page(request, "plan/page.html", status=status, **values)


def _answer(asked: Asked) -> dict[str, Any]:
    found = plan_out(answers.plan(asked))
    every = range(plan_chart.FEWEST, plan_chart.MOST + 1)
    seen = table_out(answers.seen_table(asked, every))
    curves = []
    for width, smallest in zip(seen.widths_mm, seen.smallest_deg, strict=True):
        points = [value for value in smallest if value is not None]
        if points:
            words = answers.length_text(width, asked.unit)
            curves.append(plan_chart.Curve(words, points, width == asked.width_mm))
    return {
        "found": found,
        "averages": _averages(asked.method.cut_weights(asked.pieces)),
        "picture": plan_chart.picture(
            curves,
            found.error_deg,
            found.cuts_needed,
            asked.method.noun,
            asked.method.relations[0].base,
        ),
        "widths": [answers.length_text(w, asked.unit) for w in found.table.widths_mm],
        "measures": [
            (NAMES[measure], f"{plain(value, 3)}")
            for measure, value in measures(asked.error_rad).items()
            if measure != "rad"
        ],
    }


def _averages(weights: tuple[float, ...]) -> str:
    """How many cuts, in words."""
    return "one cut" if len(weights) == 1 else f"{len(weights) or 'no'} cuts"


def steady(
    store: Connection, methods: Iterable[Method], quantity: Quantity
) -> list[dict[str, Any]]:
    """The latest series of each machine that shows how the quantity scatters."""
    rows = latest_of_each_machine(store, [m.key for m in methods if quantity in m.reveals])
    return [
        {"series": row.id, "short": short(machine), "day": day(row.started_at)}
        for row, machine in rows
    ]


def _asked(
    store: Connection, methods: Mapping[str, Method], form: Mapping[str, str], unit: Unit
) -> Asked:
    by_gap = form["by"] == "gap"
    return asked_for(
        store,
        methods,
        error_deg=None if by_gap else _number(form, "error_deg", 0, 45),
        gap=form["gap"] or None if by_gap else None,
        joint=form["joint"] or None if by_gap else None,
        method=form["method"],
        width=form["width"] or None,
        unit=unit,
        inset=form["inset"] or "0",
        pieces=_count(form, "pieces", 3, 100) if form["pieces"] else None,
        cuts=_count(form, "cuts", 2, 200),
        resolution=form["resolution"] or None,
        reading_sd=form["reading_sd"] or None,
        own_sd_deg=None,
        series=_id(form["series"]) if form["series"] else None,
        alpha=_number(form, "alpha", 0.0001, 0.5),
        beta=_number(form, "beta", 0.0001, 0.5),
        two_series=form["two_series"] == "true",
    )


def _number(form: Mapping[str, str], field: str, least: float, most: float) -> float:
    try:
        value = float(parse_number(form[field]))
    except ValueError as error:
        raise InvalidField(field, str(error)) from None
    if not least <= value <= most or not math.isfinite(value):
        raise InvalidField(field, f"must be from {plain(least)} to {plain(most)}")
    return value


def _count(form: Mapping[str, str], field: str, least: int, most: int) -> int:
    text = form[field]
    if not (text.isascii() and text.isdigit() and least <= int(text) <= most):
        raise InvalidField(field, f"must be a whole number from {least} to {most}")
    return int(text)


def _id(text: str) -> UUID:
    try:
        return UUID(text)
    except ValueError:
        raise InvalidField("series", "choose one from the list") from None
