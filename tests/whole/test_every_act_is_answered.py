"""What is done is answered by a sound and a state, on the Bench and on the page that is open."""

from __future__ import annotations

import re

from playwright.sync_api import expect

from tests.ptys import until
from tests.whole.at_the_bench import Bench

# What sounded, over all pages of a tab: the page of an act may be another before it can be asked.
_HEARD = """
  new MutationObserver(() => {
    const { sounded } = document.documentElement.dataset;
    if (sounded) sessionStorage.heard = `${sessionStorage.heard ?? ""} ${sounded}.`;
  }).observe(document, { subtree: true, attributeFilter: ["data-sounded"] });
"""


def _heard(bench: Bench) -> str:
    return str(bench.page.evaluate("sessionStorage.heard ?? ''"))


def test_presses_are_answered_and_taken_on_the_page_that_is_open(bench: Bench) -> None:
    page = bench.page
    page.add_init_script(_HEARD)
    series = bench.start(tolerance_deg="0.1")
    bench.open()
    page.goto(f"{bench.server.url}/series/{series}")
    line = page.locator(".answering")
    expect(line).to_contain_text("is running. Next: fence end.")
    expect(line).to_have_attribute("data-on", "true")
    bench.press("12.30")
    expect(line).to_contain_text("12.30 mm: kept. Next: open end.")
    bench.keyboard.caliper("12.40")
    expect(line).to_contain_text("12.40 mm: kept, and complete. Next: fence end.")
    bench.press("0.00")
    expect(line).to_contain_text("the reading before it is taken back")
    assert until(lambda: "complete" in _heard(bench) and "taken back" in _heard(bench))
    bench.holds(series, [["12.30"]])
    line.locator("a").click()
    page.wait_for_url(re.compile("/bench/"))
    bench.next("open end")


def test_corrections_and_what_is_undone_are_answered(bench: Bench) -> None:
    page = bench.page
    page.add_init_script(_HEARD)
    series = bench.start(strip_side="left")
    bench.open()
    for sent in ("12.30", "12.40"):
        bench.press(sent)
    bench.state("pair complete")
    # By another page or person.
    bench.server.post(f"/api/series/{series}/trials/1/leave-out", {"reason": "a knot"})
    bench.state("strip 1 left out")
    assert bench.sounded == "corrected"
    page.click("#away")
    expect(page.locator("#undo")).to_contain_text("Away and back")
    page.click("#undo button")
    bench.state("undone: away and back")
    assert bench.sounded == "undone"
    page.goto(f"{bench.server.url}/series/{series}")
    page.evaluate("delete sessionStorage.heard")
    page.locator("[data-undo]").first.evaluate("(button) => button.click()")
    assert until(lambda: "undone." in _heard(bench))
    found = bench.server.get(f"/api/series/{series}")
    assert [trial["state"] for trial in found["trials"]] == ["complete"]
