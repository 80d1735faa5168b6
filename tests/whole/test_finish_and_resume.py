"""A series is finished, looked at, and continued; a strip's ends are swapped."""

from __future__ import annotations

import re

from playwright.sync_api import Browser, Page, expect

from tests.whole.at_the_bench import Bench, forgive
from tests.whole.browser import no_serious_axe_findings


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
