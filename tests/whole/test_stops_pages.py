"""A machine with several stops, measured on a phone: the Bench page and the machine's page."""

from __future__ import annotations

import math
import re

from playwright.sync_api import expect

from tests.whole.at_the_bench import Bench, forgive

STOPS = {"5 left": "-5", "2 left": "-2", "2 right": "2", "5 right": "5"}


def made(bench: Bench) -> str:
    """A machine with five stops, `square` among them."""
    name = f"Saw of {bench.name}"
    machine: str = bench.server.post("/api/machines", {"name": name, "kind": "miter saw"})["id"]
    for stop, nominal in STOPS.items():
        body = {"machine": machine, "name": stop, "nominal_deg": nominal}
        bench.server.post("/api/stops", body)
    return machine


def test_a_machine_with_five_stops_is_measured_on_a_phone(bench):
    page = bench.page
    page.set_viewport_size({"width": 390, "height": 844})
    machine = made(bench)
    bench.open()
    page.select_option("#machine", "")
    expect(page.locator("#stop")).to_be_hidden()
    page.select_option("#machine", machine)
    expect(page.locator("#stop option")).to_have_text(["square", *STOPS])
    expect(page.locator("#stop option:checked")).to_have_text("square")
    page.select_option("#stop", label="5 left")
    page.check("[name=work][value=own]")
    page.fill("#baseline", "203,86")
    page.click("#show-guide")
    page.click("#start")
    expect(page.locator("#measuring-title")).to_have_text(re.compile(", 5 left: "))

    page.click("#away")
    expect(page.locator("#notice")).to_contain_text("There is no strip yet")
    undo = page.get_by_role("button", name="Undo", exact=True)

    def strip(first: str, second: str) -> None:
        bench.press(first)
        bench.next("open end")
        bench.press(second)
        bench.state("pair complete")

    strip("48.60", "12.53")
    page.click("#away")
    expect(page.locator("#undo")).to_contain_text("another visit")
    undo.click()
    expect(page.locator("#undo")).to_be_hidden()
    strip("48.71", "12.63")
    expect(page.locator("#trials thead")).not_to_contain_text("Visit")
    page.click("#away")
    expect(undo).to_be_visible()
    strip("48.69", "12.60")
    expect(page.locator("#undo")).to_be_hidden()
    expect(page.locator("#trials thead")).to_contain_text("Visit")
    series = bench.server.get(f"/api/benches/{bench.name}")["series"]
    assert series["stop"]["name"] == "5 left"
    trials = bench.server.get(f"/api/series/{series['id']}")["trials"]
    assert [trial["visit"] for trial in trials] == [1, 1, 2]

    page.click("#finish")
    page.click("#again")
    expect(page.locator("#stop option:checked")).to_have_text("5 left")
    expect(page.locator("#as-last")).to_contain_text(", 5 left, ")


def test_the_machines_page_lists_its_stops_and_draws_their_map(bench):
    page = bench.page
    page.set_viewport_size({"width": 390, "height": 844})
    machine = made(bench)
    # Strips cut 0.1 degrees too far to the right at every stop: D = L tan(2 a) / cos(a).
    for stop, nominal in {"square": "0", **STOPS}.items():
        a = math.radians(float(nominal) + 0.1)
        wedge = 200 * math.tan(2 * a) / math.cos(a)
        series = bench.start(stop=stop, tolerance_deg="0.05")
        for extra in (0.0, 0.02, -0.02):
            bench.press(f"{60 + extra:.2f}")
            bench.press(f"{60 + wedge + extra:.2f}")
        bench.server.post(f"/api/series/{series}/finish")
    page.goto(f"{bench.server.url}/machine/{machine}")
    listed = page.locator("#stops .stops:not(.retired) > li")
    expect(listed).to_have_count(5)
    expect(listed.nth(1)).to_contain_text("5 left, −5°")
    expect(listed.nth(1)).to_contain_text("+0.1")
    expect(listed.first.locator("[name=name], [data-retire-stop]")).to_have_count(0)
    said = bench.server.get(f"/api/machines/{machine}/map")
    expect(page.locator("#map-sentence")).to_have_text(said["sentence"])
    expect(page.locator("#stops .chart .mean")).to_have_count(5)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390

    page.locator("#stops summary").first.click()
    page.get_by_text("Add a stop").click()
    page.fill("#stop-name", "5 LEFT")
    page.fill("#stop-nominal", "-4")
    page.get_by_role("button", name="Add it").click()
    expect(page.locator("#stop-form .status")).to_contain_text("a stop 5 left already")
    forgive(bench.complaints)
    # An angle without a side may be meant either way; a wrong side is corrected.
    page.fill("#stop-name", "")
    page.fill("#stop-nominal", "8°")
    page.get_by_role("button", name="Add it").click()
    expect(page.locator("#stop-form .status")).to_contain_text("to which side")
    page.get_by_role("radio", name="To the left").check()
    page.get_by_role("button", name="Add it").click()
    expect(listed).to_have_count(6)
    last = listed.nth(5)
    expect(last).to_contain_text("8 left, −8°")
    last.get_by_text("Correct it").first.click()
    last.locator("[name=nominal_deg]").fill("8")
    last.get_by_role("button", name="Correct it").click()
    expect(last).to_contain_text("8 left, 8°")
    last.get_by_text("Correct it").first.click()
    last.locator("[name=name]").fill("8 to the right")
    last.locator("[name=check_days]").fill("30")
    last.get_by_role("button", name="Correct it").click()
    expect(last.locator("b").first).to_have_text("8 to the right")
    last.get_by_text("Correct it").first.click()
    expect(last.locator("[name=check_days]")).to_have_value("30")
    last.get_by_role("button", name="Retire it").click()
    expect(listed).to_have_count(5)
    expect(page.locator("#stops")).to_contain_text("Retired stops (1)")
