"""The pages of works on a phone: a real server, a real Chromium."""

from __future__ import annotations

import re

from playwright.sync_api import Page, expect

from tests.whole.browser import no_serious_axe_findings
from tests.whole.serving import Serving
from tests.whole.shops import measured


def fits(page: Page) -> None:
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    no_serious_axe_findings(page)


def test_a_work_is_made_given_parts_corrected_undone_and_retired(
    server: Serving, page: Page, complaints: list[str]
) -> None:
    page.set_viewport_size({"width": 390, "height": 844})
    measured(server, "Window saw", (0.45, 0.44, 0.46, 0.45, 0.44))
    measured(server, "Sled", (0.01, 0.00, -0.01, 0.01, 0.00))
    server.post("/api/machines", {"name": "New saw"})
    page.goto(server.url)
    page.get_by_role("link", name="Works", exact=True).click()
    new = page.locator("#new-work")
    new.get_by_label("Name").fill("<b>Doors")
    new.get_by_role("button").click()
    expect(page.locator("#new-status")).to_contain_text("Error of a cut, in degrees: say what")
    # A refused request is no mistake of the page's.
    assert all("422" in said for said in complaints)
    complaints.clear()
    new.get_by_label("Error of a cut").fill("0.05")
    new.get_by_role("button").click()
    expect(page.locator("h1")).to_have_text("<b>Doors")
    answer = page.locator("#answer")
    expect(answer).to_have_text("Good enough for <b>Doors: Sled, square.")
    stops = page.locator(".verdicts li")
    expect(stops).to_have_text(
        [re.compile(r"good enough\s+Sled"), re.compile("needs adjusting.*leans to the right", re.S),
         re.compile(r"New saw, square\s*Not measured yet\.")]
    )  # fmt: skip
    fits(page)

    parts = page.locator("#parts-form")
    parts.get_by_label("It is").select_option("shelves")
    shelves = parts.locator("[data-kind=shelves]")
    for label, value in (("How many", "4"), ("Length", "600"), ("Depth", "250")):
        shelves.get_by_label(label).fill(value)
    parts.get_by_label("Right end").select_option(label="Sled, square")
    parts.get_by_role("button", name="Save the parts").click()
    expect(parts.locator(".status")).to_have_text("Where the ends are cut: give at least 1")
    complaints.clear()  # of the refusal
    parts.get_by_label("Left end").select_option(label="Window saw, square")
    parts.get_by_label("Right end").select_option(label="Sled, square")
    parts.get_by_role("button", name="Save the parts").click()
    expect(answer).to_contain_text("every joint of such a")
    expect(page.locator("main")).to_contain_text("Window saw, square contributes most")
    expect(page.locator("main svg.chart")).to_have_attribute("aria-label", re.compile("worst"))
    expect(shelves.get_by_label("Length")).to_have_value("600")
    trail = page.locator(".trail")
    expect(trail).to_contain_text("shelves (count 4, length 600, depth 250, cut at Window saw,")
    fits(page)

    # Joints of their own rows take the place of the shelves; the undoing brings these back.
    parts.get_by_label("It is").select_option("joints")
    first = parts.locator(".joint").first
    first.get_by_label("Length of the joint").fill("90")
    first.get_by_label("A cut at").select_option(label="New saw, square")
    parts.get_by_role("button", name="Save the parts").click()
    expect(answer).to_have_text("How likely it succeeds is not known yet.")
    expect(page.locator("main")).to_contain_text("New saw, square is not measured yet.")
    page.locator("#undo").get_by_role("button", name="Undo").click()
    expect(answer).to_contain_text("every joint of such a")

    page.get_by_text("Correct what was said").click()
    form = page.locator("#correct-form")
    form.get_by_label("Or: a gap").fill("0.2")
    form.get_by_label("over a joint").fill("90")
    form.get_by_role("button").click()
    expect(page.locator(".machine-head")).to_contain_text("A gap of no more than 0.2 mm over a")
    page.get_by_text("Correct what was said").click()
    page.get_by_role("button", name="Retire it").click()
    expect(page.get_by_role("button", name="Bring it back")).to_be_visible()
    page.goto(f"{server.url}/works")
    expect(page.locator("main")).to_contain_text("There is no work in the list yet")
    page.get_by_text("Retired works (1)").click()
    fits(page)
    page.get_by_role("link", name="<b>Doors").click()
    page.get_by_role("button", name="Bring it back").click()
    expect(page.locator(".notice.calm")).to_have_count(0)
    assert page.goto(f"{server.url}/works/none").status == 404
    complaints.clear()
