"""A series is finished, looked at, and continued; a strip's ends are swapped."""

from __future__ import annotations

import re

from playwright.sync_api import Browser, Page, expect

from tests.whole.at_the_bench import Bench, forgive
from tests.whole.browser import HeldBack, no_serious_axe_findings


def _finished(bench: Bench) -> str:
    series = bench.start()
    bench.open()
    for sent in ("12.30", "12.40", "12.31", "12.42", "12.50"):
        bench.press(sent)
    bench.shows("12.50")
    bench.page.click("#finish")
    expect(bench.page.locator("#finished")).to_be_visible()
    return series


def test_finish_leads_on_to_series_report_machine_and_card(bench: Bench) -> None:
    series = _finished(bench)
    page = bench.page
    head = bench.server.get(f"/api/series/{series}")
    for name, path in (
        ("to-series", f"/series/{series}"),
        ("to-report", f"/series/{series}/report"),
        ("to-machine", f"/machine/{head['machine']['id']}"),
        ("to-card", f"/machine/{head['machine']['id']}/card"),
    ):
        expect(page.locator(f"#{name}")).to_be_visible()
        assert page.get_attribute(f"#{name}", "href") == path
        assert bench.server.client.get(path).status_code == 200
    expect(page.locator("#instruction")).to_contain_text("Say what you make, or a tolerance")
    assert page.get_attribute("#act-link", "href") == f"/series/{series}"
    bench.press("12.60")  # no series runs
    expect(page.locator("#finished-heard")).to_contain_text("12.60 mm: heard from caliper")
    no_serious_axe_findings(page)


def test_a_finish_pressed_too_early_is_undone_and_the_strip_goes_on(bench: Bench) -> None:
    series = _finished(bench)
    bench.page.click("#resume")
    bench.next("open end")
    expect(bench.page.locator("#finish")).to_be_visible()
    expect(bench.page.locator("#finished")).to_be_hidden()
    bench.press("12.61")
    bench.state("pair complete: strip 3")
    bench.holds(series, [["12.30", "12.40"], ["12.31", "12.42"], ["12.50", "12.61"]])


_HOLDS_SCORES = """
  const listen = EventSource.prototype.addEventListener;
  const held = [];
  globalThis.holding = false;
  globalThis.letScores = () => { holding = false; held.splice(0).forEach((told) => told()); };
  EventSource.prototype.addEventListener = function (kind, heard, ...more) {
    const later = (event) => holding ? held.push(() => heard(event)) : heard(event);
    listen.call(this, kind, kind === "score" ? later : heard, ...more);
  };
"""


_ALARMS = """
  ["needs adjusting", "good enough"].map((verdict) => {
    document.getElementById("found").dataset.verdict = verdict;
    const line = Object.assign(document.createElement("li"), { textContent: "It made it worse" });
    line.dataset.answer = "made it worse";
    document.getElementById("found-since").replaceChildren(line);
    const colour = getComputedStyle(line).borderLeftColor;
    line.dataset.answer = "cannot tell";
    const alarms = colour !== getComputedStyle(line).borderLeftColor;
    line.remove();
    return alarms;
  })
"""
"""Whether a change for the worse is red, beside a verdict of each kind."""


def test_a_planned_number_is_counted_and_no_result_is_shown_for_another(bench: Bench) -> None:
    """A score that comes late is not shown as that of the strips read since, nor the verdict of
    the end as that of a series that goes on."""
    page = bench.page
    series = bench.start(strips=3, tolerance_deg="0.3")
    page.add_init_script(_HOLDS_SCORES)
    bench.open()

    def strips(*pairs: tuple[str, str]) -> None:
        for pair in pairs:
            for sent in pair:
                bench.press(sent, since_previous_ms=4000)

    strips(("12.30", "12.40"), ("12.31", "12.42"))
    verdict, result = page.locator("#verdict"), page.locator("#result")
    expect(verdict).to_have_text(re.compile("2 of 3 strips.*verdict at the end"))
    expect(result).to_have_attribute("data-verdict", "")
    page.evaluate("holding = true")
    strips(("12.30", "12.41"))
    bench.state("pair complete: strip 3")
    expect(result).to_have_attribute("data-behind", "")
    expect(page.locator("#progress")).to_contain_text("The result is of 2 strips")
    page.evaluate("letScores()")
    expect(verdict).to_have_text(re.compile("3 of 3 strips.*finish for the verdict"))
    expect(result).not_to_have_attribute("data-behind", "")
    page.click("#finish")
    expect(page.locator("#found-verdict")).to_contain_text("Good enough")
    assert page.evaluate(_ALARMS) == [True, False]
    held = HeldBack(page, f"**/api/series/{series}", "GET")
    page.click("#resume")
    expect(page.locator("#measuring")).to_be_visible()
    expect(page.locator("#figure")).to_have_text("No result yet")
    expect(verdict).to_be_hidden()
    held.let_go()
    expect(verdict).to_contain_text("3 of 3 strips")
    # What had no room while it was hidden is not mirrored by it.
    drawn = "new DOMMatrix(getComputedStyle(document.querySelector('#verdict span')).transform).a"
    assert page.evaluate(drawn) > 0


def test_a_link_proposes_nothing_once_a_series_of_its_machine_has_begun(bench: Bench) -> None:
    made = bench.server.post("/api/machines", {"name": f"Saw of {bench.name}", "kind": "other"})
    page = bench.page
    page.goto(f"{bench.server.url}/bench/{bench.name}?machine={made['id']}")
    expect(page.locator("#sign-live")).to_have_text("live")
    series = bench.start()
    expect(page.locator("#measuring")).to_be_visible()
    assert "?" not in page.url
    bench.press("12.30")
    bench.shows("12.30")
    bench.server.post(f"/api/series/{series}/finish")
    expect(page.locator("#finished")).to_be_visible()
    page.reload()
    expect(page.locator("#finished")).to_be_visible()


def test_finish_tells_of_no_strip_to_come_and_a_link_of_what_runs(bench: Bench) -> None:
    series = bench.start(strips=5, tolerance_deg="0.05")
    other = bench.server.post("/api/machines", {"name": "Other saw", "kind": "miter saw"})["id"]
    page = bench.page
    bench.press("12.30")
    bench.open()
    page.goto(f"{page.url}?machine={other}")
    expect(page.locator("#notice")).to_contain_text("still runs, and each reading goes to it")
    bench.press("12.40")
    expect(page.locator("#measuring")).to_contain_text("4 more to go")
    page.click("#finish")
    expect(page.locator("#finished")).to_be_visible()
    assert "to go" not in (page.text_content("#found-sentence") or "")
    expect(page.locator("#notice")).to_be_hidden()
    bench.holds(series, [["12.30", "12.40"]])
    page.reload()  # the link asks to measure the other machine, and nothing runs
    expect(page.locator("#setup")).to_be_visible()
    expect(page.locator("#machine")).to_have_value(other)


def test_a_page_loaded_again_or_elsewhere_keeps_the_result(bench: Bench, browser: Browser) -> None:
    _finished(bench)
    figure = bench.page.locator("#found-figure").text_content() or ""
    elsewhere = browser.new_context().new_page()
    elsewhere.goto(bench.page.url)
    bench.page.reload()
    for page in (bench.page, elsewhere):
        expect(page.locator("#finished")).to_be_visible()
        expect(page.locator("#found-figure")).to_have_text(figure)
        expect(page.locator("#instruction")).to_contain_text("Say what you make")
    elsewhere.close()
    bench.start()
    expect(bench.page.locator("#measuring")).to_be_visible()
    bench.page.click("#finish")
    expect(bench.page.locator("#finished-heard")).to_contain_text("That series had no strip.")
    expect(bench.page.locator("#found-figure")).to_have_text(figure)


def test_a_result_that_was_left_does_not_come_back(bench: Bench) -> None:
    _finished(bench)
    bench.page.click("#again")
    expect(bench.page.locator("#setup")).to_be_visible()
    bench.page.reload()
    expect(bench.page.locator("#setup")).to_be_visible()


def test_a_series_page_goes_on_with_a_finished_series_at_any_time(bench: Bench) -> None:
    first = bench.start()
    bench.press("12.30")
    bench.start()  # which ends the first
    page = bench.page
    page.goto(f"{bench.server.url}/series/{first}")
    page.click("#resume")
    expect(page.locator("#problem")).to_contain_text("finish it first")
    forgive(bench.complaints)
    running = bench.server.get(f"/api/benches/{bench.name}")["series"]["id"]
    bench.server.post(f"/api/series/{running}/finish")
    page.click("#resume")
    page.wait_for_url(re.compile("/bench/"))
    bench.next("open end")
    bench.press("12.40")
    bench.holds(first, [["12.30", "12.40"]])


def test_swapped_ends_are_heard_and_seen_wherever_they_were_swapped(bench: Bench) -> None:
    bench.start()
    bench.open()
    bench.press("12.30")
    bench.press("12.40")
    bench.state("pair complete")
    bench.page.click("#swap-ends")
    bench.state("ends swapped: strip 1")
    assert bench.sounded == "swapped"
    bench.page.evaluate("delete document.documentElement.dataset.sounded")
    bench.server.post(f"/api/benches/{bench.name}/swap-ends")  # from another page
    bench.state("ends swapped back: strip 1")
    assert bench.sounded == "swapped"


def test_the_sound_of_a_swap_can_be_tried(bench: Bench, page: Page) -> None:
    bench.open()
    page.click(".options:not(.phone) summary")
    page.click('[data-sound="swapped"]')
    expect(page.locator("html")).to_have_attribute("data-sounded", "swapped")
