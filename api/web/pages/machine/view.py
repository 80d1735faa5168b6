"""The pages of machines: the list, one machine, what to move on it, and its card to print."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal
from uuid import UUID

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from markupsafe import Markup
from sqlalchemy import Connection, Row

from analysis import sentences
from api import MADE_BY
from api.access.rungs import Rung
from api.addresses import loopback
from api.answers import checks, history
from api.answers.history import DriftLine, MachineHistory
from api.answers.machine_state import (
    KIND_WORDS,
    KnownCheck,
    MachineState,
    all_known,
)
from api.answers.moments import ago, day
from api.answers.rules_changed import rules_changed
from api.answers.since_change import of_machine
from api.errors import NotFound
from api.store.rows import changes as rows_of_changes
from api.store.rows import machines as rows
from api.store.rows import series as rows_of_series
from api.store.rows.machines import parse_id
from api.store.squares import SQUARE
from api.store.stamps import made_at, now
from api.web.convert import change_out, outward
from api.web.convert.history import drift_out, halves_out
from api.web.convert.next_act import since_change_out
from api.web.deps import TheKept, TheServer, TheStore
from api.web.pages.bench.view import MACHINE_KINDS
from api.web.pages.compare.links import links
from api.web.pages.machine.adjusting import adjusting_for
from api.web.pages.machine.card import PAPERS, card_of, check_again, due_first
from api.web.pages.machine.chart import Change, history_chart
from api.web.pages.machine.listed import listed
from api.web.pages.machine.stops import Stops, stops_of
from api.web.pages.machine.work import work_asked
from api.web.pages.shared import phone
from api.web.pages.shared.charts import Picture
from api.web.pages.shared.leaning import leaning
from api.web.pages.shared.rendering import page
from api.web.pages.shared.trail import Trail, seconds_left, trail
from api.web.shapes.history import DriftOut
from api.web.visitors import visitor

router = APIRouter(include_in_schema=False)

_BESIDE_WANTED: Final = "longer than wanted", "shorter than wanted"
_SHOWN: Final = 40  # series in the table; the others are a link away
_FEWEST: Final = 3  # checks of a line of the history that shows at once, where stops are many


@router.get("/machines")
def machines(request: Request, store: TheStore, kept: TheKept) -> HTMLResponse:
    """Every machine with its state and how old that knowledge is, the most urgent first."""
    every = rows.machines(store, retired=True)
    return page(
        request,
        "machine/list.html",
        part="machines",
        machines=listed(store, kept, [row for row in every if row.retired_at is None]),
        changed=rules_changed(store),
        kinds=MACHINE_KINDS,
        retired=[row for row in every if row.retired_at is not None],
        people=rows_of_changes.people(store) if visitor(request.scope).may(Rung.ADMIN) else [],
    )


@router.get("/machine/{machine}")
def machine(request: Request, machine: str, store: TheStore) -> HTMLResponse:
    """One machine: its state, its history, what to move, its series."""
    try:
        found = history.read(store, parse_id(machine))
    except NotFound as error:
        return _missing(request, str(error))
    numbered = [Change(n, c.at) for n, c in enumerate(found.changes, 1)]
    withdrawn = rows.withdrawn_changes(store, found.machine.id)
    stops = stops_of(store, found)
    standings = [each.standing for each in stops.listed]
    lines = [_line(found, line, numbered) for line in found.drift.values()]
    fewest = _FEWEST if stops.map else 0
    return page(
        request,
        "machine/page.html",
        part="machines",
        machine=found.machine,
        headline=_headline(found.state),
        due=check_again(standings, now()),
        why_due=due_first(standings).until,
        # Where there are several stops, each is in the list of them.
        others=[
            _result(known)
            for known in found.state.known[1:]
            if known.stop == found.state.known[0].stop
        ],
        stops=stops,
        halves=None if found.halves is None else halves_out(found.halves),
        lines=[line for line in lines if len(line.drift.at) >= fewest],
        short_lines=[line for line in lines if len(line.drift.at) < fewest],
        series=[_row(s) for s in reversed(found.series[-_SHOWN:])],
        series_in_all=len(found.series),
        compared=next((links(store, s.row) for s in reversed(found.series) if s.trials), []),
        changes=[_change(n, c) for n, c in enumerate(found.changes, 1)][::-1],
        withdrawn=[_change(0, c) for c in withdrawn],
        trail=_trail(store, found.machine.id, [*found.changes, *withdrawn], stops),
        kinds=KIND_WORDS,
        adjusting=adjusting_for(found, None, {}),
        since=since_change_out(of_machine(store, found)),
        measured_at=_measured_at(store, found.state),
        work=work_asked({**_angle_of(found.state)}),
    )


def _measured_at(store: Connection, how: MachineState) -> str | None:
    """The bench where the series runs that the machine is known by; None where it has ended."""
    if not how.known or how.known[0].series.row.finished_at is not None:
        return None
    bench: str = rows_of_series.series(store, how.known[0].series.id).bench
    return bench


@router.get("/machine/{machine}/merge")
def merge(request: Request, machine: str, store: TheStore, into: str = "") -> HTMLResponse:
    """What would move, and how the one machine would stand; nothing is stored."""
    try:
        found = history.read(store, parse_id(machine))
        other = history.read(store, parse_id(into)) if into else None
    except NotFound as error:
        return _missing(request, str(error))
    if other is not None and other.machine.id == found.machine.id:
        other = None
    return page(
        request,
        "machine/merge.html",
        part="machines",
        found=found,
        other=other,
        together=None if other is None else history.merged_state(found, other),
        machines=[m for m in rows.machines(store, retired=True) if m.id != found.machine.id],
        trail=trail(store, ()),
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
            return _missing(request, "This series is of another machine.")
    return page(
        request,
        "machine/adjust.html",
        part="machines",
        machine=found.machine,
        adjusting=adjusting_for(found, series, query),
    )


@router.get("/machine/{machine}/card")
def card(
    request: Request, machine: str, server: TheServer, store: TheStore, paper: str = ""
) -> HTMLResponse:
    """The state of the machine, to print and put on it."""
    try:
        found = history.read(store, parse_id(machine))
    except NotFound as error:
        return _missing(request, str(error))
    reached = phone.address(request, server.settings.host, f"/machine/{found.machine.id}")
    return page(
        request,
        "machine/card.html",
        part="machines",
        machine=found.machine,
        card=card_of(found, now()),
        paper=paper if paper in PAPERS else next(iter(PAPERS)),
        papers=PAPERS,
        reached=reached,
        code=None if reached is None else Markup(phone.code(reached, "q").decode()),
        listens=not loopback(server.settings.host),
        printed=day(now()),
        made_by=MADE_BY,
    )


@router.get("/work")
def work_page(request: Request) -> HTMLResponse:
    """What an angle error does to the work, and what error a gap allows."""
    return page(
        request,
        "machine/work.html",
        part="machines",
        work=work_asked(dict(request.query_params)),
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
    taper: str
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
    toward = sentences.direction(check.mean, check.expanded, relation.leans) if angular else ""
    taper = sentences.taper(check.mean, check.expanded, known.series.facts.unit)
    return _Result(
        known=known,
        leans=toward,
        view=relation.view,
        value=outward(check.mean, check.quantity),
        expanded=outward(check.expanded, check.quantity),
        unit="deg" if angular else "mm",
        taper=sentences.Sentence(taper) if angular else "",
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
    chart: Picture
    up: str
    down: str
    phases: list[dict[str, object]]


def _line(found: MachineHistory, of: DriftLine, changes: Sequence[Change]) -> _Line:
    line = drift_out(of)
    latest = of.known[-1]
    relation, what = latest.relation, latest.relation.words
    if line.half:
        what += f", {line.half} half of the fence"
    if line.stop != SQUARE:
        what += f" at the stop {line.stop}"
    if line.part_mm is not None:
        what += f" of about {sentences.short_length(line.part_mm, latest.series.row.unit)}"
    title = f"{latest.series.facts.method.title}: {what}"
    check = latest.check
    tolerance = None
    if check.tolerance is not None:
        middle = (check.tolerance.low + check.tolerance.high) / 2 if line.unit == "mm" else 0.0
        tolerance = (
            outward(check.tolerance.low - middle, line.quantity),
            outward(check.tolerance.high - middle, line.quantity),
        )
    up, down = relation.leans
    if line.unit == "mm":
        up, down = ("larger", "smaller") if tolerance is None else _BESIDE_WANTED
    numbered = {c.id: n for n, c in enumerate(found.changes, 1)}
    return _Line(
        title=title,
        drift=line,
        chart=history_chart(line, changes, tolerance, title),
        up=up,
        down=down,
        phases=[
            {
                "phase": p,
                "numbers": [numbered[c] for c in p.setup_changes],
                "first": day(line.at[p.start]) if p.checks else "",
                "last": day(line.at[p.stop - 1]) if p.checks else "",
            }
            for p in line.phases
        ],
    )


def _trail(store: Connection, machine_id: UUID, changes: Sequence[Row[Any]], stops: Stops) -> Trail:
    merged = rows.merged_into(store, machine_id)
    of_stops = {row.id: f"Stop {row.name}" for row in stops.every}
    found = rows_of_changes.of_machine(
        store, machine_id, merged, [c.id for c in changes], of_stops.keys()
    )
    called = {str(c.id): f"Setup change “{c.kind}” of {day(c.at)}" for c in changes}
    called |= {str(stop): name for stop, name in of_stops.items()}
    return trail(store, map(change_out, found), called=called)


def _change(number: int, change: Row[Any]) -> dict[str, object]:
    age = now() - made_at(change.id)
    return {
        "id": change.id,
        "at": change.at.isoformat(),
        "seconds": seconds_left(age.total_seconds()),
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
        "stop": series.row.stop,
        "trials": series.trials,
        "results": [_result(known) for known in all_known(series)],
        "calipers": ", ".join(series.calipers),
        "note": series.row.note,
    }
