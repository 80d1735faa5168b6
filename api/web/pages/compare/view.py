"""The Compare page: of two series or machines, which is further out, which less steady."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from typing import Annotated, Any, Final
from uuid import UUID

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse
from markupsafe import Markup
from sqlalchemy import Connection

from analysis.conversions import NAMES, measures
from analysis.methods import SAWING_CAUTIONS, Quantity
from analysis.sentences import capital, cuts, decimals_for, number, plain
from analysis.units import parse_number
from api.answers.came_back import came_back
from api.answers.comparable import (
    ComparableSeries,
    all_comparable,
    noun_of,
    shared_quantities,
)
from api.answers.comparison import compared
from api.answers.helped import helped
from api.answers.moments import day, minute
from api.errors import InvalidField, NotFound
from api.store.rows.measured import running
from api.store.rows.stops import with_several
from api.web.convert.comparison import adjustment_out, comparison_out, return_out
from api.web.deps import TheServer, TheStore
from api.web.pages.bench.view import cautions_for
from api.web.pages.compare import chart as comparison_chart
from api.web.pages.compare.choices import choices, chosen, proposed_links, series_of
from api.web.pages.shared import numbers
from api.web.pages.shared.rendering import page
from api.web.shapes.comparison import ComparisonOut, Finding, QuantityComparison

router = APIRouter(include_in_schema=False)

_NOTHING_TO_COMPARE: Final = (
    "There is nothing to compare it with yet: measure another series that shows the same, of"
    " another machine or of this one after something happened to it."
)
_CHOOSE: Final = "Choose what to compare it with, then press Compare."
_FIELDS: Final = ("the first", "the second", "the third", "the fourth")
_TITLES: Final[dict[Quantity, str]] = {
    "angle": "The angle",
    "tilt": "The tilt",
    "length": "The length",
}


@router.get("/compare")
def compare_page(
    request: Request,
    server: TheServer,
    store: TheStore,
    a: str = "",
    b: str = "",
    more: Annotated[list[str] | None, Query()] = None,
    margin: str = "",
) -> HTMLResponse:
    """Series side by side. `a`, `b` and `more` are series, or machines for their latest one."""
    # A study of caliper and hand says nothing about a machine.
    methods = [key for key, m in server.methods.items() if m.judges != "hand"]
    listed, cut = choices(store, methods)
    wanted = [a, b, *(m for m in more or [] if m)]
    first, second, *further = chosen(store, methods, listed, wanted)
    values: dict[str, Any] = {
        "choices": listed,
        "cut": cut,
        "asked": {"a": first, "b": second, "more": further, "margin": margin},
        "proposed": [] if any(wanted) else proposed_links(store, listed),
        "problem": None,
        "hint": "" if (a and b) or (first and second) else _NOTHING_TO_COMPARE,
        "found": [],
        "noun": "strip",
        "notes": [],
        "so_far": [],
        "one_machine": None,
        "back": None,
        "helped": None,
        "withheld": "",
        "done": "",
        "cautions": cautions_for(SAWING_CAUTIONS),
    }
    status = 200
    if a and b:
        try:
            values |= _answers(store, methods, wanted, margin)
        except InvalidField as error:
            field = f"{error.field}: " if error.field else ""
            values["problem"], status = f"{capital(field + error.message)}.", 422
        except NotFound as error:
            values["problem"], status = f"{capital(str(error))}. Choose from the lists.", 404
    elif a or b or wanted[2:]:
        values["hint"] = values["hint"] or _CHOOSE
    return page(request, "compare/page.html", status=status, **values)


# ---------------------------------------------------------------- answers


def _answers(
    store: Connection, methods: Collection[str], wanted: Sequence[str], margin: str
) -> dict[str, Any]:
    fields = [*_FIELDS, *("one more" for _ in wanted[len(_FIELDS) :])]
    named = [
        (field, series_of(store, methods, field, text))
        for field, text in zip(fields, wanted, strict=False)
    ]
    _each_once(named)
    found = all_comparable(store, named)
    comparison = comparison_out(compared(found))
    runs = running(store)
    answers: dict[str, Any] = {
        "several": with_several(store),
        "found": [_shown(found, comparison, q) for q in shared_quantities(found)],
        "noun": noun_of(found),
        "notes": comparison.notes,
        "so_far": [
            f"{name} is still running: this holds for its"
            f" {cuts(s.whole.scored.score.trials, s.method.noun)} so far, looked at once. Who looks"
            f" after every {s.method.noun} finds a difference too often where there is none: let"
            " the end of the series decide."
            for s, name in zip(found, (s.name for s in comparison.series), strict=True)
            if s.row.id in runs
        ],
    }
    one, other = found[:2]
    # Of two stops nobody asks whether the machine came back from the one to the other.
    if len(found) == 2 and one.row.stop_id == other.row.stop_id:
        before, after = sorted((one, other), key=lambda s: s.row.started_at)
        answers |= _one_machine(store, before, after, margin)
    return answers


def _each_once(named: Sequence[tuple[str, UUID]]) -> None:
    """Raise InvalidField where a series is asked for twice."""
    seen: dict[UUID, str] = {}
    for field, series in named:
        if series in seen:
            raise InvalidField(
                "", f"{field} is the same series as {seen[series]}: choose another one for it"
            )
        seen[series] = field


def _one_machine(
    store: Connection, before: ComparableSeries, after: ComparableSeries, margin: str
) -> dict[str, Any]:
    quantity = shared_quantities([before, after])[0]
    accepted = None
    if margin.strip():
        try:
            accepted = float(parse_number(margin))
        except ValueError as error:
            raise InvalidField("a shift that does not matter", str(error)) from None
        if not (accepted > 0 and math.isfinite(accepted)):
            raise InvalidField("a shift that does not matter", "it must be greater than zero")
        accepted = accepted if quantity == "length" else math.radians(accepted)
    back = came_back(store, before, after, quantity, accepted)
    effect, withheld = None, ""
    if quantity != "length" or None not in (before.nominal_mm, after.nominal_mm):
        effect = helped(store, before, after, quantity)
        if effect.answer == "nothing was adjusted":
            withheld = effect.sentence
        if effect.answer in ("nothing was changed", "nothing was adjusted"):
            effect = None
    shown = return_out(back)
    return {
        "one_machine": shown,
        "back": shown,
        "helped": None if effect is None else adjustment_out(effect),
        "withheld": withheld,
        "done": back.of.done,
    }


def _shown(
    found: Sequence[ComparableSeries], comparison: ComparisonOut, quantity: Quantity
) -> dict[str, Any]:
    """What the template shows of one quantity."""
    of = comparison.quantities[quantity]
    names = [s.name for s in comparison.series]
    brief = _brief(names, found)
    scores = [s.score.quantities.get(quantity) for s in comparison.series]
    by_nominal = quantity == "length" and all(v.out_by is not None for v in of.series)
    from_nominal = all(v.out_by is not None or v.mean is None for v in of.series)
    rows: list[dict[str, Any]] = []
    for index, (values, side, name, score) in enumerate(
        zip(of.series, found, brief, scores, strict=True)
    ):
        rows.append(
            {
                "letter": comparison_chart.letter(index),
                "name": name,
                "head": side.row,
                "moment": _moment(side, found),
                "method": side.method.title,
                "of": values,
                "expanded": score.expanded_uncertainty if score else None,
                "coverage": score.coverage_factor if score else None,
                "verdict": score.verdict if score else None,
            }
        )
    nominal = [
        (v.mean - v.out_by) if v.mean is not None and v.out_by is not None else 0.0
        for v in of.series
    ]
    picture = comparison_chart.picture(
        [
            comparison_chart.Row(
                row["head"].machine_name,
                row["moment"],
                [v.value - base for v in row["of"].values],
                None if row["of"].mean is None else row["of"].mean - base,
                row["expanded"],
            )
            for row, base in zip(rows, nominal, strict=True)
        ],
        of.unit,
        from_nominal=from_nominal,
        noun=noun_of(found),
    )
    relation = found[0].method.relation(quantity)
    return {
        "key": quantity,
        "title": _TITLES[quantity],
        "of": of,
        "rows": rows,
        "by_nominal": by_nominal,
        "picture": picture,
        "caption": _caption(from_nominal, relation.leans if relation else ("", "")),
        "findings": _findings(of, brief, found),
        "measures": _measures(of, names) if of.unit == "deg" else [],
        "measure_names": [NAMES[m] for m in NAMES if m != "rad"],
        "known": _known(of, names, noun_of(found)),
        "pairs": _pairs(of, found),
    }


def _brief(names: Sequence[str], found: Sequence[ComparableSeries]) -> list[str]:
    """The names without the machine's own, where all are of one machine: what is left differs."""
    machine = found[0].row.machine_name
    if any(side.row.machine_name != machine for side in found):
        return list(names)
    rest = [name.removeprefix(machine).lstrip(" ,") for name in names]
    return [capital(each) for each in rest] if all(rest) else list(names)


def _caption(from_nominal: bool, toward: tuple[str, str]) -> str:
    if not from_nominal:
        return ""
    ways = f": to its right {toward[0]}, to its left {toward[1]}" if all(toward) else ""
    return f"Nominal{ways}." if ways else ""


def _moment(side: ComparableSeries, among: Sequence[ComparableSeries]) -> str:
    """The day of a series, with its time and its stop where others have another of these."""
    at = side.row.started_at
    stop = f"{side.row.stop}, " if len({each.row.stop for each in among}) > 1 else ""
    several = sum(day(each.row.started_at) == day(at) for each in among) > 1
    return stop + (minute(at) if several else day(at))


def _findings(
    of: QuantityComparison, names: Sequence[str], found: Sequence[ComparableSeries]
) -> list[Any]:
    """The two answers separately; of the first two series where there are more."""
    called = {s.row.id: name for s, name in zip(found, names, strict=True)}
    noun = noun_of(found)
    several = " (the first 2)" if len(found) > 2 else ""

    def finding_of(question: str, finding: Finding, nothing: str, shown: str, looks: str) -> Any:
        return {
            "question": question + several,
            "who": called[finding.series] if finding.series else nothing,
            "shown": finding.shown,
            "words": ""
            if finding.series is None
            else f"Shown by these {noun}s: {shown}."
            if finding.shown
            else f"It looks so, but these {noun}s do not show it: {looks}.",
        }

    return [
        finding_of(
            "Which is further out?",
            of.further_out,
            "Neither, or not known",
            "the interval of the difference (95 %) leaves no doubt",
            "the means may be equally far out (95 %)",
        ),
        finding_of(
            "Which is less steady?",
            of.less_steady,
            "Neither, or not known" if of.counted == "trial" else "Not compared between visits",
            "the interval of the ratio of spreads (95 %) leaves no doubt",
            f"single cuts may scatter alike (95 %); few {noun}s seldom show more",
        ),
    ]


def _measures(of: QuantityComparison, names: Sequence[str]) -> list[tuple[str, list[str]]]:
    """Means, and the difference, in every measure of an angle."""
    wanted = [(name, values.mean, values.sd) for name, values in zip(names, of.series, strict=True)]
    if of.difference is not None:
        error = of.difference.standard_error
        wanted.append((f"{names[1]} minus {names[0]}", of.difference.estimate, error))
    rows = []
    for name, value, doubt in wanted:
        if value is not None:
            per = measures(math.radians(doubt)) if doubt else {}
            rows.append(
                (
                    name,
                    [
                        number(v, decimals_for(per[m]) if per else 3).replace("-", "−")
                        for m, v in measures(math.radians(value)).items()
                        if m != "rad"
                    ],
                )
            )
    return rows


def _known(of: QuantityComparison, names: Sequence[str], noun: str) -> list[tuple[str, Markup]]:
    """The figures behind the findings, with the standards' terms."""
    rows = []
    difference, ratio = of.difference, of.spread_ratio
    if difference is not None:
        half = None
        if difference.interval is not None:
            half = (difference.interval.high - difference.interval.low) / 2
        words = Markup("{} (mean of {} minus mean of {})").format(
            numbers.with_uncertainty(difference.estimate, half, of.unit, sign=True),
            names[1],
            names[0],
        )
        rows.append(("Difference of the means, 95 % interval", words))
    if difference is not None and difference.t is not None:
        df = difference.degrees_of_freedom
        rows.append(
            (
                "Welch’s test",
                Markup("t = {}, {} degrees of freedom, {} (NIST e-Handbook 1.3.5.3)").format(
                    f"{difference.t:.2f}".replace("-", "−"),
                    "unlimited" if df is None else f"{df:.1f}",
                    _said(difference.p),
                ),
            )
        )
    if ratio is not None and ratio.ratio is not None:
        between = ""
        if ratio.interval is not None:
            low, high = (plain(end, 2) for end in (ratio.interval.low, ratio.interval.high))
            between = f", 95 % interval of it {low} to {high}"
        section = "1.3.5.9" if ratio.rule == "F" else "1.3.5.10"
        rule = "F test" if ratio.rule == "F" else "test of Brown and Forsythe"
        rows.append(
            (
                f"Ratio of the spreads of {noun}s",
                Markup("a factor of {:.2f}{} ({} over {}); {}, {} (NIST e-Handbook {})").format(
                    ratio.ratio, between, names[1], names[0], rule, _said(ratio.p), section
                ),
            )
        )
    rows.append(
        (
            "Mean ± expanded uncertainty",
            Markup("95 %, with the coverage factor k of each series (JCGM 100)"),
        )
    )
    return rows


def _p(value: float | None) -> str:
    if value is None:
        return "–"
    return "< 0.001" if value < 0.001 else f"{value:.3f}"


def _said(p: float | None) -> str:
    """ "p = 0.012", "p < 0.001"."""
    shown = _p(p)
    return f"p {shown}" if shown.startswith("<") else f"p = {shown}"


def _pairs(of: QuantityComparison, found: Sequence[ComparableSeries]) -> list[Any]:
    letters = {s.row.id: comparison_chart.letter(i) for i, s in enumerate(found)}
    return [
        {
            "names": f"{letters[p.first]} and {letters[p.second]}",
            "estimate": p.difference.estimate,
            "half": None
            if p.difference.interval is None
            else (p.difference.interval.high - p.difference.interval.low) / 2,
            "p": _p(p.p_adjusted),
            "differs": p.differs,
        }
        for p in (of.many.pairs if of.many else [])
    ]
