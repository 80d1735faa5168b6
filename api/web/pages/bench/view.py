"""The Bench page of each bench, and each method's guide."""

from __future__ import annotations

import json
from collections.abc import Sequence
from contextlib import suppress
from typing import Any, Final
from uuid import UUID

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from markupsafe import Markup
from sqlalchemy import Connection, Row

from analysis.methods import SAWING_CAUTIONS, Method, Side, cautions_on, steps_for
from api.addresses import loopback
from api.answers.bench import BenchAnswer
from api.answers.bench import bench as bench_answer
from api.answers.methods import method_named
from api.answers.proposed import proposed, to_begin_with
from api.answers.series import series as whole_series
from api.answers.since_change import since_change
from api.errors import InvalidField, NotFound
from api.store.facts import method_of
from api.store.rows.machines import machine as one_machine
from api.store.rows.machines import machines as machine_rows
from api.store.rows.machines import parse_id
from api.store.rows.stops import every_stop, stop_of
from api.store.rows.works import works as work_rows
from api.store.squares import SQUARE
from api.web import convert
from api.web.convert.next_act import since_change_out
from api.web.convert.set_up import proposed_out
from api.web.convert.works import made_work_out
from api.web.deps import TheServer
from api.web.pages.shared import drawings, phone
from api.web.pages.shared.addresses import bench_page
from api.web.pages.shared.invitations import offered
from api.web.pages.shared.rendering import page
from api.web.pages.shared.verdicts import VERDICT_MARKS
from api.web.pages.shared.words import FLAGS
from api.web.shapes import BenchName
from api.web.shapes.machines import MachineOut
from api.web.shapes.methods import MethodOut
from capture.spec import MAIN_BENCH

router = APIRouter(include_in_schema=False)

MACHINE_KINDS: Final = (
    "sliding compound miter saw",
    "radial arm saw",
    "table saw sled",
    "table saw",
    "planer",
    "other",
)

_SIDES: Final[tuple[Side, Side]] = ("left", "right")

# Offered first; the others in a part of the form that opens.
_USUAL: Final = ("reversal", "half-turn", "roll")

_OF_WORKS: Final = {"id", "name", "need", "retired_at"}

# Said before the first cut, also where a method's own list leaves it out.
_ADJUSTING: Final = "Unplug the machine before you adjust anything on it."


def cautions_for(own: Sequence[str], kind: str | None = None) -> tuple[str, ...]:
    """What must be read before the first cut: a method's cautions, on this kind of machine where
    it is known, and the usual ones that it leaves out. The sentence about the machine's manual
    stays last. None where a method has none, because no machine is used."""
    if not own:
        return ()
    own = cautions_on(own, kind)
    missing = [] if any(caution.startswith("Unplug") for caution in own) else [_ADJUSTING]
    deferral = [caution for caution in own if caution == SAWING_CAUTIONS[-1]]
    return (*(caution for caution in own if caution not in deferral), *missing, *deferral)


@router.get("/")
def main_bench(request: Request, server: TheServer) -> HTMLResponse:
    """The Bench page of bench `main`."""
    return bench(request, MAIN_BENCH, server)


@router.get("/bench/{name}")
def bench(request: Request, name: BenchName, server: TheServer) -> HTMLResponse:
    """The Bench page of the bench called `name`, which comes into being when first named."""
    try:
        with server.reading() as store:
            found = bench_answer(store, name)
            shown = found.series if found.series is not None else found.ended
            series = None if shown is None else convert.series_out(whole_series(store, shown.id))
            machines = _machines(store)
            works = [made_work_out(row) for row in work_rows(store, retired=True)]
            since = [] if found.series is None else since_change(store, found.series)
            # While a series runs nothing is set up.
            offers = None
            if found.series is None:
                begun = _named(store, request) or to_begin_with(store, found.ended)
                offers = proposed_out(proposed(store, *begun, server.methods))
    except Exception as error:
        # Presses go on beside a damaged store, and this page answers them.
        if not server.condition.met(error) or not server.damage():
            raise
        found, shown, series, machines = BenchAnswer.unknown(name), None, None, []
        works, since, offers = [], [], None
    now = convert.bench_out(found, server.calipers(name), server.pretends(name))
    method = method_of(shown) if shown is not None and now.series else None
    methods = tuple({**server.methods, **({method.key: method} if method else {})}.values())
    state = {
        "bench": now.model_dump(mode="json"),
        "series": series.model_dump(mode="json") if series else None,
        "since": [each.model_dump(mode="json") for each in since_change_out(since)],
        "machines": machines,
        "works": [each.model_dump(mode="json", include=_OF_WORKS) for each in works],
        "proposed": offers.model_dump(mode="json") if offers else None,
        "methods": [_for_the_page(m) for m in methods],
        "store": convert.store_out(server.damage(), *server.kept(name)).model_dump(mode="json"),
    }
    return page(
        request,
        "bench/page.html",
        part="bench",
        bench=name,
        state=_in_script(state),
        flags=_in_script(FLAGS),
        marks=_in_script(VERDICT_MARKS),
        measuring=method.key if method else None,
        ended=found.ended is not None,
        places=Markup(drawings.places_drawing(method)) if method else "",
        methods=methods,
        usual=_USUAL,
        kinds=MACHINE_KINDS,
        asks=any(
            each.bench == name and each.spec.mode == "ask" for each in server.listening.listened()
        ),
        sides={side: Markup(drawings.side_drawing(side)) for side in _SIDES},
        lean=Markup(drawings.lean_drawing()),
        phone=phone.address(request, server.settings.host, bench_page(name)),
        listens=not loopback(server.settings.host),
        rungs=offered(request),
    )


def _named(store: Connection, request: Request) -> tuple[Row[Any], Row[Any]] | None:
    """The machine and the stop that a link names to be measured; None where there is none."""
    named = request.query_params.get("machine")
    if named is None:
        return None
    try:
        machine = one_machine(store, parse_id(named))
        return machine, stop_of(
            store, machine.id, parse_id(request.query_params.get("stop", SQUARE))
        )
    except NotFound:
        return None


def _machines(store: Connection) -> list[dict[str, Any]]:
    """Every machine with its stops: what the set-up asks for of GET /api/machines."""
    stops: dict[UUID, list[dict[str, Any]]] = {}
    for row in every_stop(store):
        head = convert.stop_head(row.id, row.name, row.nominal_deg, row.bevel_deg)
        stops.setdefault(row.machine_id, []).append({"stop": head.model_dump(mode="json")})
    return [
        {**MachineOut.model_validate(row).model_dump(mode="json"), "stops": stops.get(row.id, [])}
        for row in machine_rows(store)
    ]


def _in_script(value: object) -> Markup:
    """JSON within a script element, where nothing but "<" can end it or open a comment."""
    return Markup(json.dumps(value, separators=(",", ":")).replace("<", "\\u003c"))


def _for_the_page(method: Method) -> dict[str, object]:
    """What the page's modules ask of a method, as GET /api/methods says it."""
    wanted = {
        "title",
        "places",
        "baseline",
        "needs_thickness",
        "sided",
        "noun",
        "reveals",
        "ways",
        "closed_jaws",
    }
    wanted |= {"key", "default_repeats", "pieces", "optional_baseline", "judges"}
    return MethodOut.model_validate(method).model_dump(mode="json", include=wanted)


@router.get("/guide/{key}")
def guide(
    request: Request, server: TheServer, key: str, side: str = "left", kind: str | None = None
) -> HTMLResponse:
    """How a method is done on this kind of machine, step by step, with the strip falling to `side`
    of the blade."""
    method = None
    with suppress(InvalidField), server.reading() as store:
        method = method_named(store, key, server.methods)
    if method is None or side not in _SIDES:
        return page(
            request,
            "shared/missing.html",
            status=404,
            title="No such guide",
            message="There is no guide for this method and side. Choose one on the Bench page.",
        )
    steps = steps_for(method, side)
    return page(
        request,
        "bench/guide.html",
        method=method,
        side=side,
        steps=[
            (step, Markup(drawings.step_drawing(steps, number, method)))
            for number, step in enumerate(steps)
        ],
        cautions=cautions_for(method.cautions, kind),
        places=Markup(drawings.places_drawing(method)),
    )
