"""The Instruments page, and the page of each caliper: its studies over time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from analysis.methods import METHODS
from analysis.units import Unit
from analysis.until import OWN_DAYS
from api.access.rungs import Rung
from api.answers.caliper_studies import caliper_studies
from api.answers.caliper_until import caliper_until
from api.errors import InvalidField
from api.instruments.calipers import CaliperRecord
from api.instruments.plugged_in import plugged_in
from api.store.rows.benches import bench_names
from api.store.rows.changes import of_calipers
from api.store.stamps import now
from api.web.asked import length_mm
from api.web.convert import change_out
from api.web.convert.instruments import found_out
from api.web.deps import TheServer, TheStore, any_caliper
from api.web.pages.instruments import chart as caliper_charts
from api.web.pages.shared.rendering import page
from api.web.pages.shared.trail import trail
from api.web.shapes.instruments import FoundOut
from api.web.visitors import visitor
from capture.identify import OPENING_CAUTION, TYPING_CAUTION
from capture.spec import MAIN_BENCH

router = APIRouter(include_in_schema=False)

# Other states have no mark.
_MARKS: Final = {
    "listening": "on",
    "waiting": "waiting",
    "quiet": "bounced",
    "unplugged": "off",
    "trouble": "adjust",
    "stopped": "off",
}


@dataclass(frozen=True, slots=True)
class _Kind:
    title: str
    found: list[FoundOut]


@dataclass(frozen=True, slots=True)
class _Now:
    """What is plugged in, by kind, and every caliper, those that are heard first; retired ones that
    are not heard apart. called: what calipers are called, by the names they are heard under."""

    kinds: list[_Kind]
    calipers: list[CaliperRecord]
    retired: list[CaliperRecord]
    called: dict[str, str]


_KINDS: Final = (
    (("serial",), "Serial ports"),
    (("keys", "hid"), "What types like a keyboard, or may"),
    (("usb",), "USB devices without a driver"),
)


@router.get("/instruments")
def instruments_page(request: Request, server: TheServer, store: TheStore) -> HTMLResponse:
    """What is plugged in, what is listened to, and identifying by the send button."""
    return page(
        request,
        "instruments/page.html",
        before=OPENING_CAUTION,
        before_typing=TYPING_CAUTION,
        main_bench=MAIN_BENCH,
        benches=sorted({MAIN_BENCH, *bench_names(store)}),
        now=_now(server, store),
        **_may(request),
        marks=_MARKS,
    )


@router.get("/instruments/now")
def instruments_now(request: Request, server: TheServer, store: TheStore) -> HTMLResponse:
    """The parts of the page that its script keeps up to date."""
    return page(
        request,
        "instruments/now.html",
        now=_now(server, store),
        **_may(request),
        marks=_MARKS,
    )


@router.get("/calipers/{name:path}")
def caliper_page(
    request: Request,
    name: str,
    server: TheServer,
    store: TheStore,
    tolerance: str = "",
    unit: str = "mm",
) -> HTMLResponse:
    """One caliper's studies over time."""
    on_record = server.calipers_on_record(store)
    known = [each for each in on_record if each.name == name] or [
        each for each in on_record if name in each.heard_as
    ]
    if not known:
        return page(
            request,
            "shared/missing.html",
            status=404,
            title="No such caliper",
            message=f"No caliper called “{name}” has been heard. The Instruments page lists those"
            " that have been.",
        )
    chosen: Unit = "in" if unit == "in" else "mm"
    problem, width = "", None
    try:
        width = length_mm("tolerance", tolerance, chosen)
    except InvalidField as error:
        problem = error.message
    caliper = known[0]
    studies = caliper_studies(store, caliper.name, width)
    return page(
        request,
        "instruments/caliper.html",
        caliper=caliper,
        studies=studies,
        until=caliper_until(studies, known[0].check_days, known[0].certificate, now()),
        usual_days=OWN_DAYS,
        marks=_MARKS,
        tolerance=tolerance,
        unit=chosen,
        problem=problem,
        others=[n for each in on_record if (n := each.name) != caliper.name],
        trail=trail(
            store,
            map(change_out, of_calipers(store, caliper.heard_as)),
            labels={"readings_unit": "a number without a unit counts"},
        ),
        methods=METHODS,
        repeat_chart=caliper_charts.repeatability_chart(studies.same_spot),
        block_chart=caliper_charts.block_chart(studies.known_block),
        legend=caliper_charts.size_legend(studies.known_block),
    )


def _may(request: Request) -> dict[str, bool]:
    """Whether who asks may add calipers, and any; see `instruments.from_afar`."""
    admin = visitor(request.scope).may(Rung.ADMIN)
    return {"admin": admin, "any_caliper": admin and any_caliper(request)}


_HEARD_NOW: Final = ("here", "elsewhere")


def _now(server: TheServer, store: TheStore) -> _Now:
    found = [found_out(each) for each in plugged_in(server.listening)]
    on_record = _in_order(server.calipers_on_record(store))
    at_rest = [each for each in on_record if each.retired and each.heard not in _HEARD_NOW]
    return _Now(
        [
            _Kind(title, those)
            for kinds, title in _KINDS
            if (those := [each for each in found if each.kind in kinds])
        ],
        [each for each in on_record if each not in at_rest],
        at_rest,
        {heard_as: each.name for each in on_record for heard_as in each.heard_as},
    )


def _in_order(calipers: list[CaliperRecord]) -> list[CaliperRecord]:
    """Those that are heard first, then what is typed, then the others."""
    rank = {"here": 0, "elsewhere": 1, "page": 2, "not now": 3}
    return sorted(calipers, key=lambda each: rank[each.heard])
