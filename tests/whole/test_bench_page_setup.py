"""The Bench page before a series runs: its form, its cautions, its start."""

from __future__ import annotations

from playwright.sync_api import expect

from tests.whole.at_the_bench import fill_in, forgive
from tests.whole.browser import HeldBack


def test_a_first_series_is_set_up_with_the_keyboard_alone(bench):
    page = bench.page
    bench.open()
    page.focus("#machine")
    page.select_option("#machine", "")
    page.focus("#machine-name")
    page.keyboard.type("Attic saw of " + bench.name)
    page.keyboard.press("Tab")
    page.keyboard.type("radial arm saw")
    page.keyboard.press("Tab")  # the methods: the first one is chosen
    page.keyboard.press("Tab")  # the other methods, folded away
    page.keyboard.press("Tab")  # the unit
    page.keyboard.press("ArrowRight")  # inches
    page.keyboard.press("Tab")
    expect(page.locator("#baseline")).to_be_focused()
    page.keyboard.type("8,026")
    page.keyboard.press("Tab")
    page.keyboard.press("ArrowRight")  # the strip falls to the right
    page.keyboard.press("Enter")
    expect(page.locator("#guide-title")).to_be_focused()
    expect(page.locator("#start")).to_be_disabled()
    page.focus("#acknowledge")
    page.keyboard.press("Space")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.locator("#measuring-title")).to_be_focused()

    made = bench.server.get(f"/api/benches/{bench.name}")["series"]
    assert made["machine"]["name"] == f"Attic saw of {bench.name}"
    assert (made["method"], made["unit"], made["baseline"]) == ("reversal", "in", "8,026")
    assert made["strip_side"] == "right"


def test_no_series_starts_before_the_cautions_are_read(bench):
    page = bench.page
    bench.open()
    fill_in(page, bench.name)
    page.click("#show-guide")
    cautions = page.locator("#guide-body .cautions")
    for caution in (
        "guards in place",
        "eye and hearing protection",
        "not the narrow strip",
        "hands well clear",
        "between the blade and a stop",
        "blade has stopped",
        "Unplug the machine before you adjust",
        "radial arm saw can climb toward you",
        "manual, local rules and qualified help",
    ):
        expect(cautions).to_contain_text(caution)
    expect(page.locator("#start")).to_be_disabled()
    # The button is directly below what has to be read.
    below = page.evaluate(
        """() => document.querySelector('#guide-body .cautions')
             .compareDocumentPosition(document.getElementById('start'))
             & Node.DOCUMENT_POSITION_FOLLOWING"""
    )
    assert below
    page.check("#acknowledge")
    page.click("#start")
    expect(page.locator("#measuring")).to_be_visible()
    # Once for each series, not once for all.
    page.click("#finish")
    page.click("#again")
    page.click("#show-guide")
    expect(page.locator("#acknowledge")).not_to_be_checked()
    expect(page.locator("#start")).to_be_disabled()


def test_the_next_series_need_not_be_typed_again(bench):
    page = bench.page
    bench.open()
    fill_in(page, bench.name)
    page.check("[name=strip_side][value=right]")
    page.click("text=More settings")
    page.fill("#inset", "2,5")
    page.check("[name=tolerance][value=gap]")
    page.fill("#tolerance-gap", "0.1")
    page.fill("#tolerance-joint", "150")
    page.click("#show-guide")
    page.check("#acknowledge")
    page.click("#start")
    expect(page.locator("#measuring")).to_be_visible()
    # The live link may be quicker than the answer, and only with that the page remembers.
    expect(page.locator("#start")).to_be_enabled()
    page.click("#finish")
    expect(page.locator("#again")).to_be_visible()
    page.click("#again")
    page.reload()
    expect(page.locator("#as-last")).to_contain_text(bench.name)
    page.click("#as-last button")
    page.check("#acknowledge")
    page.click("#start")
    expect(page.locator("#measuring")).to_be_visible()
    made = bench.server.get(f"/api/benches/{bench.name}")["series"]
    assert (made["baseline"], made["inset"], made["strip_side"]) == ("203,86", "2,5", "right")
    assert (made["tolerance"]["gap"], made["tolerance"]["joint"]) == ("0.1", "150")


def test_a_wrong_length_is_said_at_its_field(bench):
    page = bench.page
    bench.open()
    fill_in(page, bench.name)
    page.fill("#baseline", "twenty")
    page.click("#show-guide")
    expect(page.locator("#baseline")).to_be_focused()
    expect(page.locator("#baseline-wrong")).to_contain_text("twenty")
    expect(page.locator("#guide")).to_be_hidden()


def test_what_the_server_refuses_is_said_at_its_field(bench, complaints):
    page = bench.page
    bench.open()
    fill_in(page, bench.name)
    page.click("text=More settings")
    page.fill("#inset", "150")  # twice that is longer than the cut
    page.click("#show-guide")
    page.check("#acknowledge")
    page.click("#start")
    expect(page.locator("#setup")).to_be_visible()
    expect(page.locator("#inset-wrong")).to_be_visible()
    assert all("422" in complaint for complaint in complaints)
    complaints.clear()


def test_a_series_started_elsewhere_is_not_covered_by_a_guide_that_comes_late(bench):
    page = bench.page
    bench.open()
    fill_in(page, bench.name)
    guide = HeldBack(page, "**/guide/*")
    page.click("#show-guide")
    assert guide.route
    bench.start()
    expect(page.locator("#measuring")).to_be_visible()
    guide.let_go()
    expect(page.locator("#measuring")).to_be_visible()
    expect(page.locator("#guide")).to_be_hidden()


def test_no_series_starts_where_the_cautions_could_not_be_fetched(bench, complaints):
    page = bench.page
    bench.open()
    fill_in(page, bench.name)
    for failing in (lambda route: route.fulfill(status=500), lambda route: route.abort()):
        page.route("**/guide/*", failing)
        page.click("#show-guide")
        expect(page.locator("#setup-problem")).to_contain_text("server")
        expect(page.locator("#guide")).to_be_hidden()
        page.unroute("**/guide/*")
    page.click("#show-guide")
    expect(page.locator("#guide-body .cautions")).to_be_visible()
    forgive(complaints)


def test_a_start_that_comes_second_leaves_the_series_that_runs_in_sight(bench, complaints):
    page = bench.page
    bench.open()
    fill_in(page, bench.name)
    page.click("#show-guide")
    page.check("#acknowledge")
    start = HeldBack(page, "**/api/series", "POST")
    page.click("#start")
    assert start.route
    bench.start()
    expect(page.locator("#measuring")).to_be_visible()
    start.let_go(status=409, json={"status": 409, "detail": "Another one started."})
    expect(page.locator("#notice")).to_have_text("Another one started.")
    expect(page.locator("#measuring")).to_be_visible()
    forgive(complaints)


def test_a_series_started_elsewhere_stays_in_sight_when_the_machines_come_late(bench):
    page = bench.page
    bench.start()
    bench.open()
    page.click("#finish")
    machines = HeldBack(page, "**/api/machines")
    page.click("#again")
    assert machines.route
    bench.start()
    expect(page.locator("#finish")).to_be_visible()  # hidden since the one before was finished
    machines.let_go()
    expect(page.locator("#measuring")).to_be_visible()
    expect(page.locator("#setup")).to_be_hidden()


def test_a_press_without_a_series_is_said_to_be_kept(bench):
    bench.open()
    expect(bench.page.locator("#setup")).to_be_visible()
    bench.press("13.21")
    expect(bench.page.locator("#heard")).to_contain_text("13.21 mm")


def test_a_press_does_not_turn_the_page_while_the_cautions_are_read(bench):
    bench.open()
    fill_in(bench.page, bench.name)
    bench.page.click("#show-guide")
    expect(bench.page.locator("#guide")).to_be_visible()
    bench.press("13.21")
    expect(bench.page.locator("#heard")).to_contain_text("13.21 mm")
    expect(bench.page.locator("#guide")).to_be_visible()
    expect(bench.page.locator("#setup")).to_be_hidden()


def test_the_guide_of_a_method_that_is_none_says_so(server, page):
    answer = page.goto(f"{server.url}/guide/guesswork")
    assert answer is not None
    assert answer.status == 404
    expect(page.locator("h1")).to_have_text("No such guide")


def test_a_block_is_asked_for_its_size_and_need_not_have_one(bench):
    bench.open()
    page = bench.page
    known = page.locator("[name=method][value=known-block]")
    known.evaluate("radio => radio.closest('details')?.setAttribute('open', '')")
    known.check()
    expect(page.locator("#baseline-label")).to_have_text("The block's stated size, if it is known")
    page.locator("[name=method][value=reversal]").check()
    expect(page.locator("#baseline-label")).not_to_contain_text("block")
