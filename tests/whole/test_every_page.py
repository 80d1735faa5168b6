"""What holds for every page: it fits any screen and any size of text, and shuts nobody out."""

from __future__ import annotations

import pkgutil
from importlib import import_module
from typing import Final

import pytest
from playwright.sync_api import Page

from api.web import pages
from tests.whole.browser import TOO_WIDE, WIDTHS, WORDS_OVER_WORDS, no_serious_axe_findings
from tests.whole.serving import Serving
from tests.whole.shops import cut, measured
from tests.words import faults

# By the path that serves it, one address of each page.
PAGES: Final = {
    "/": "/",
    "/bench/{name}": "/bench/running",
    "/guide/{key}": "/guide/reversal?side=left",
    "/machines": "/machines",
    "/machine/{machine}": "/machine/{saw}",
    "/machine/{machine}/merge": "/machine/{saw}/merge?into={sled}",
    "/machine/{machine}/mend": "/machine/{saw}/mend?series={out}&span=600",
    "/machine/{machine}/card": "/machine/{saw}/card",
    "/work": "/work?angle_deg=0.06&u_deg=0.01&joint=150&gap=0.1",
    "/works": "/works",
    "/works/{work_id}": "/works/{doors}",
    "/series": "/series",
    "/series/{series_id}": "/series/{out}",
    "/series/{series_id}/report": "/series/{out}/report",
    "/series/{series_id}/known": "/series/{out}/known",
    "/compare": "/compare?a={out}&b={good}&more={other}",
    "/plan": "/plan",
    "/instruments": "/instruments",
    "/calipers/{name:path}": "/calipers/six-inch",
    "/access": "/access",
    "/help": "/help",
    "/help/all": "/help/all",
    "/help/{name}": "/help/exports",
}
_PARTS_OF_PAGES: Final = {"/instruments/now"}


@pytest.fixture(scope="module")
def shop(shared: Serving) -> dict[str, str]:
    """A shop of which every page has something to show."""
    out = measured(shared, "Window saw", (0.45, 0.44, 0.46, 0.45, 0.44), tolerance_deg="0.05")
    good = measured(shared, "Window saw", (0.01, 0.02, 0.00, 0.01, 0.02), tolerance_deg="0.05")
    other = measured(shared, "Sled", (0.01, 0.00, -0.01, 0.01, 0.00), tolerance_deg="0.05")
    saw, sled = (shared.get(f"/api/series/{each}")["machine"]["id"] for each in (out, other))
    shared.post("/api/stops", {"machine": saw, "name": "45 left", "nominal_deg": "-45"})
    shared.post("/api/setup-changes", {"machine": sled, "kind": "moved", "note": "to the window"})
    doors = shared.post("/api/works", {"name": "Doors", "tolerance_deg": "0.05"})["id"]
    shared.start_series(bench="running", tolerance_deg="0.5")
    cut(shared, (0.45, 0.44, 0.46), bench="running")
    return {"out": out, "good": good, "other": other, "saw": saw, "sled": sled, "doors": doors}


def test_no_page_is_forgotten_here() -> None:
    served = {
        route.path
        for found in pkgutil.iter_modules(pages.__path__)
        if found.name != "shared"
        for route in import_module(f"{pages.__name__}.{found.name}.view").router.routes
    }
    assert served - _PARTS_OF_PAGES == set(PAGES)


@pytest.mark.parametrize("path", PAGES)
def test_it_fits_any_screen_and_text_and_axe_finds_nothing_serious(
    server: Serving, shop: dict[str, str], page: Page, complaints: list[str], path: str
) -> None:
    page.goto(server.url + PAGES[path].format(**shop))
    # A command is what it is, and the manual speaks of commands.
    called = ("six-inch", *page.locator("code").all_inner_texts())
    said = [] if path.startswith("/help") else page.locator("body").inner_text().splitlines()
    assert [wrong for line in said for wrong in faults(line, called)] == []
    page.evaluate("document.querySelectorAll('main details').forEach((e) => { e.open = true; })")
    for size in ("200%", ""):
        page.evaluate("(size) => { document.documentElement.style.fontSize = size; }", size)
        for width in WIDTHS:
            page.set_viewport_size({"width": width, "height": 844})
            assert page.evaluate(TOO_WIDE) == [], (size, width)
            assert page.evaluate(WORDS_OVER_WORDS) == [], (size, width)
    page.emulate_media(color_scheme="dark", reduced_motion="reduce")
    no_serious_axe_findings(page, "color-contrast")
    page.emulate_media(color_scheme="light", reduced_motion="reduce")
    no_serious_axe_findings(page)
    assert complaints == []
