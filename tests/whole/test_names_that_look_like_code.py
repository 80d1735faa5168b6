"""Whatever people call things, pages show it as text: nothing of it becomes a part of a page."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Final
from urllib.parse import quote
from uuid import uuid4

import pytest
from playwright.sync_api import Page, expect

from tests.whole.browser import wait_for
from tests.whole.serving import Serving
from tests.whole.test_every_page import PAGES

# It ends a text, an attribute and a block of data, whichever it stands in; a name has no slash.
CODE: Final = "'\"><img src=x onerror=document.title='taken'><!--<script>"
NOTE: Final = f"</script></textarea>{CODE}"
_TAKEN: Final = "document.querySelector('img[src=x], [onerror]') || document.title === 'taken'"


def _press(server: Serving, *sent: str, unit: str = "mm") -> None:
    at = datetime.now(UTC).isoformat()
    each = {"bench": CODE, "caliper": CODE, "unit": unit, "taken_at": at, "since_previous_ms": 4000}
    server.post("/api/readings", [{**each, "id": str(uuid4()), "sent": value} for value in sent])


def _series(server: Serving, machine: str, *sent: str) -> str:
    more = {"bench": CODE, "person": CODE, "note": NOTE, "work": CODE, "strips": "9"}
    series = server.start_series(machine, **more)
    _press(server, *sent)
    return series


@pytest.fixture(scope="module")
def shop(shared: Serving) -> dict[str, str]:
    """A shop where everything that can be called something is called `CODE`."""
    shared.post("/api/works", {"name": CODE, "tolerance_deg": "0.05"})
    ids = {}
    for name in (CODE, f"{CODE} sled"):
        machine = shared.post("/api/machines", {"name": name, "kind": CODE})["id"]
        shared.post("/api/stops", {"machine": machine, "name": CODE, "nominal_deg": "-45"})
        ids[name] = machine
    strips = ("12.0", "12.45", "12.0", "12.43", "12.0", "12.46")
    out, good, other = (_series(shared, name, *strips) for name in (CODE, CODE, f"{CODE} sled"))
    told = {"kind": "adjusted", "note": NOTE}
    shared.post("/api/setup-changes", {"machine": ids[CODE], **told})
    said = shared.client.patch(
        f"/api/series/{out}", json={"note": f"{NOTE} 2", "reason": NOTE, "who": CODE}
    )
    assert said.is_success, said.text
    said = shared.client.patch(f"/api/calipers/{quote(CODE, '')}", json={"certificate": NOTE})
    assert said.is_success, said.text
    doors = shared.get("/api/works")[-1]["id"]
    saw, sled = ids[CODE], ids[f"{CODE} sled"]
    return {"out": out, "good": good, "other": other, "saw": saw, "sled": sled, "doors": doors}


def test_no_page_takes_a_name_for_code(server: Serving, shop: dict[str, str], page: Page) -> None:
    bench = f"/bench/{quote(CODE, '')}"
    instead = {"/bench/running": bench, "/calipers/six-inch": f"/calipers/{quote(CODE, '')}"}
    seen = 0
    for address in PAGES.values():
        page.goto(server.url + instead.get(address, address.format(**shop)))
        assert not page.evaluate(_TAKEN), address
        seen += CODE in page.locator("body").inner_text()
    assert seen > 10


def test_no_script_takes_a_name_for_code(server: Serving, shop: dict[str, str], page: Page) -> None:
    """As the Bench page fills itself: a series that runs, strips, its end, and the next set-up."""
    assert shop
    page.goto(f"{server.url}/bench/{quote(CODE, '')}")
    expect(page.locator("#sign-live")).to_have_text("live")
    _press(server, "12.0", "12.44", "12.0", "90.0")
    expect(page.locator("#trials")).to_contain_text("12.44")
    expect(page.locator("#state")).to_contain_text("does not count yet")
    assert not page.evaluate(_TAKEN)
    page.get_by_text("Settings", exact=True).click()
    page.click("#finish")
    expect(page.locator("#finished-title")).to_contain_text(CODE)
    assert not page.evaluate(_TAKEN)
    page.click("#again")
    expect(page.locator("#setup")).to_be_visible()
    wait_for(page, "document.querySelector('#machine').options.length > 2")
    assert not page.evaluate(_TAKEN)
    page.goto(f"{server.url}/instruments")
    expect(page.locator("main")).to_contain_text(CODE)
    assert not page.evaluate(_TAKEN)
