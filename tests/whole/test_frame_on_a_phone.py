"""A frame, from a machine that is new to the answer whether it will close, on a phone."""

from __future__ import annotations

import re

from playwright.sync_api import Page, expect

from analysis.methods import METHODS
from capture.pretend import Board, PtyPort, Saw, strip_widths
from tests.whole.at_the_bench import Bench
from tests.whole.browser import no_serious_axe_findings

SAW = Saw(angle_deg=0.02, scatter_deg=0.006)
BOARD = Board(width_mm=150, strip_mm=90)


def fits(page: Page) -> None:
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    no_serious_axe_findings(page)


def strip(page: Page, port: PtyPort, number: int) -> None:
    """Two miters set against each other and read, with the caliper alone."""
    widths = strip_widths(METHODS["miter-pair"], SAW, BOARD, trial=number, seed="frame")
    for place, width in zip(("near", "far"), widths, strict=True):
        expect(page.locator("#next")).to_contain_text(re.compile(rf"{place}.*measurement {number}"))
        port.send(f"{width:.2f}\r\n".encode())
        expect(page.locator("#value span")).to_have_text(f"{width:.2f}")
    expect(page.locator("#figure")).to_contain_text(f"{number} measurement")


def test_a_frame_from_a_new_machine_to_its_answer(bench: Bench, port: PtyPort) -> None:
    page, server = bench.page, bench.server
    page.set_viewport_size({"width": 390, "height": 844})
    spec = f"serial:{port.target},unit=mm,bench={bench.name}"
    server.post("/api/calipers", {"spec": spec})
    assert server.calipers_listen()

    page.goto(f"{server.url}/machines")
    page.get_by_label("Its name").fill("Attic miter saw")
    page.get_by_label("Kind of machine").fill("sliding compound miter saw")
    page.get_by_role("button", name="Add it").click()
    expect(page.locator("h1")).to_have_text("Attic miter saw")
    page.get_by_text("Add a stop").click()
    stops = page.locator("#stops .stops > li")
    for count, angle in ((3, "22.5"), (5, "45")):
        page.get_by_label("Nominal angle").fill(angle)
        page.get_by_label("On both sides").check()
        page.locator("#stop-form").get_by_role("button").click()
        expect(stops).to_have_count(count)
    expect(page.locator("#stops")).to_contain_text("45 left, −45°")

    page.goto(f"{server.url}/works")
    work = page.locator("#new-work")
    work.get_by_label("Name").fill("Frame")
    work.get_by_label("Or: a gap").fill("0.3")
    work.get_by_label("over a joint").fill("40")
    work.get_by_role("button").click()
    expect(page.locator("h1")).to_have_text("Frame")

    bench.open()
    page.select_option("#machine", label="Attic miter saw (sliding compound miter saw)")
    page.select_option("#stop", label="45 left")
    page.fill("#baseline", "150")
    frame = page.locator(".work", has_text="Frame").first
    expect(frame).to_contain_text("A gap of no more than 0.3 mm over a joint of 40 mm.")
    frame.get_by_role("radio").check()
    expect(page.get_by_label("An angle", exact=True)).to_be_hidden()
    page.fill("#strips", "4")
    # The reversal does not reach this stop: said before its guide is read.
    page.click("#show-guide")
    expect(page.locator("#stop-wrong")).to_contain_text("two miters")
    bench.complaints.clear()
    page.get_by_text("Something else").click()
    page.locator(".card", has_text="Two miters").click()
    page.click("#show-guide")
    page.click("#start")
    expect(page.locator("#measuring-title")).to_have_text("Attic miter saw, 45 left: Two miters")
    for number in range(1, 5):
        strip(page, port, number)
        if number == 2:
            page.click("#away")
            expect(page.locator("#undo")).to_contain_text("another visit")
    expect(page.locator("#trials thead")).to_contain_text("Visit")
    page.click("#finish")
    expect(page.locator("#verdict")).to_have_text("Good enough for Frame")

    page.click("#to-series")
    expect(page.locator(".verdict-line")).to_have_text("good enough for Frame")
    expect(page.locator("h1")).to_have_text("Attic miter saw, 45 left: Two miters")
    expect(page.locator("#pictures")).to_contain_text("Over 2 visits")
    # One strip belongs to the visit before after all, and the undoing brings that back.
    page.click("#readings-title")
    page.locator("#trial-3").get_by_role("button", name="Not swung away").click()
    expect(page.locator("#message")).to_have_text("It belongs to the visit before now.")
    expect(page.locator("#pictures")).not_to_contain_text("visits")
    page.locator("#undo").get_by_role("button", name="Undo").click()
    expect(page.locator("#pictures")).to_contain_text("Over 2 visits")
    fits(page)

    page.get_by_role("link", name="The machine").click()
    measured = stops.filter(has_text="45 left")
    expect(measured).to_contain_text("good enough")
    expect(measured).to_contain_text(re.compile(r"Check it by about \w+ \d{4}"))
    expect(page.locator("#map-sentence")).to_contain_text("from 4 stops on")
    fits(page)

    page.get_by_role("link", name="Works", exact=True).click()
    expect(page.locator(".machines")).to_contain_text("Good enough for Frame: Attic miter saw, 45")
    page.get_by_role("link", name="Frame", exact=True).click()
    parts = page.locator("#parts-form")
    parts.get_by_label("It is").select_option("frame")
    parts.get_by_label("Lengths along").fill("400; 300; 400; 300")
    parts.get_by_label("Left end").select_option(label="Attic miter saw, 45 left")
    parts.get_by_role("button", name="Save the parts").click()
    expect(page.locator("#answer")).to_contain_text("every joint of such a frame stays within")
    expect(page.locator("main svg.chart")).to_be_visible()
    fits(page)
