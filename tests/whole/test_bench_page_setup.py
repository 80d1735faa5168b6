"""The Bench page before a series runs: its form, its cautions, its start."""

from __future__ import annotations

import re

from playwright.sync_api import Page, expect

from tests.whole.at_the_bench import fill_in, forgive, new_machine
from tests.whole.browser import HeldBack, intercept, no_serious_axe_findings


def test_a_first_series_is_set_up_with_the_keyboard_alone(bench):
    page = bench.page
    # What is proposed for a machine that is new: method and unit of the latest series of all.
    last = bench.server.start_series(machine="Other saw", bench=f"{bench.name}-other")
    bench.server.post(f"/api/series/{last}/finish")
    bench.open()
    page.focus("#machine")
    new_machine(page)
    page.focus("#machine-name")
    page.keyboard.type("Attic saw of " + bench.name)
    page.keyboard.press("Tab")
    page.keyboard.type("radial arm saw")
    tab_to(page, "[name=work]")
    page.keyboard.press("Space")  # the first work that is offered
    expect(page.locator("#setup")).to_have_attribute("aria-busy", "false")
    expect(page.locator("[name=work]:checked")).to_be_focused()
    tab_to(page, "[name=method]:checked")
    tab_to(page, "[name=unit]")
    expect(page.locator("#baseline")).to_have_js_property("inputMode", "decimal")
    page.keyboard.press("ArrowRight")  # inches
    # A phone's keypad of digits has no "/".
    expect(page.locator("#baseline")).to_have_js_property("inputMode", "text")
    tab_to(page, "#baseline")
    page.keyboard.type("8 1/32")
    tab_to(page, "[name=strip_side]")
    page.keyboard.press("ArrowRight")  # the strip falls to the right
    tab_to(page, "#strips")
    page.keyboard.press("ControlOrMeta+A")
    page.keyboard.type("6")
    page.keyboard.press("Enter")
    expect(page.locator("#guide-title")).to_be_focused()
    expect(page.locator("#guide-changed li")).to_have_text(["It is another machine."])
    tab_to(page, "#start")
    page.keyboard.press("Enter")
    expect(page.locator("#measuring-title")).to_be_focused()

    expect(page.locator("#typed-value")).to_have_js_property("inputMode", "text")
    made = bench.server.get(f"/api/benches/{bench.name}")["series"]
    assert made["machine"]["name"] == f"Attic saw of {bench.name}"
    assert (made["method"], made["unit"], made["baseline"]) == ("reversal", "in", "8.03125")
    assert (made["strip_side"], made["strips"]) == ("right", 6)
    assert made["work"] is not None


def tab_to(page: Page, selector: str) -> None:
    """Press Tab until that has the focus."""
    for _ in range(8):
        page.keyboard.press("Tab")
        if page.evaluate("(wanted) => document.activeElement.matches(wanted)", selector):
            return
    raise AssertionError(f"{selector} is not reached")


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
    # The button is directly below what has to be read, and says so.
    expect(page.locator("#start")).to_have_text("I follow these cautions: start measuring")
    below = page.evaluate(
        """() => document.querySelector('#guide-body .cautions')
             .compareDocumentPosition(document.getElementById('start'))
             & Node.DOCUMENT_POSITION_FOLLOWING"""
    )
    assert below
    page.click("#start")
    expect(page.locator("#measuring")).to_be_visible()
    # Once for each series, not once for all; the steps, which are known now, are folded away.
    page.click("#finish")
    page.click("#again")
    page.check("[name=strip_side][value=left]")
    page.click("#show-guide")
    expect(page.locator("#guide-changed")).to_contain_text("Nothing has changed since last time")
    expect(page.locator("#guide-body .steps")).to_be_hidden()
    expect(cautions).to_be_visible()
    expect(page.locator("#start")).to_have_text("I follow these cautions: start measuring")
    # The browser's own way back leads to the set-up, as it was, as the button does.
    page.go_back()
    expect(page.locator("[name=strip_side][value=left]")).to_be_checked()
    page.click("#show-guide")
    # Those of another kind of machine are not said.
    page.click("#back-to-setup")
    new_machine(page)
    page.fill("#machine-name", f"Other of {bench.name}")
    page.fill("#machine-kind", "table saw")
    page.check("[name=work][value=own]")
    page.fill("#baseline", "150")
    page.check("[name=strip_side][value=right]")
    page.click("#show-guide")
    expect(cautions).to_contain_text("thrown back")
    expect(cautions).not_to_contain_text("climb toward you")


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
    expect(page.locator("#strips")).to_have_value("5")
    page.click("#show-guide")
    page.click("#start")
    expect(page.locator("#measuring")).to_be_visible()
    # Until the first strip is read another number can be planned; the page says how far it is.
    bench.next("strip 1 of 5")
    page.click("#target button >> text=Fewer")
    bench.next("strip 1 of 4")
    page.click("#target button >> text=More")
    bench.next("strip 1 of 5")
    for width in ("13.21", "13.25"):
        bench.press(width)
    bench.next("strip 2 of 5")
    expect(page.locator("#progress")).to_have_text("1 of 5 strips made.")
    expect(page.locator("#target")).to_be_hidden()
    page.click("#finish")
    expect(page.locator("#again")).to_be_visible()
    # The store knows it, whatever this browser remembers.
    page.evaluate("localStorage.clear()")
    page.reload()
    page.click("#again")
    expect(page.locator("#as-last")).to_contain_text(bench.name)
    page.check("[name=strip_side][value=left]")
    page.fill("#baseline", "150")
    page.click("#show-guide")
    expect(page.locator("#guide-changed li")).to_have_text(
        [
            re.compile("150 mm, last time 203,86 mm"),
            "The strip falls to the left of the blade, last time to the right.",
        ]
    )
    # Each step looks other then.
    expect(page.locator("#guide-body .steps")).to_be_visible()
    page.click("#back-to-setup")
    page.click("#as-last button")
    expect(page.locator("#guide-changed")).to_contain_text("Nothing has changed since last time")
    page.click("#start")
    expect(page.locator("#measuring")).to_be_visible()
    made = bench.server.get(f"/api/benches/{bench.name}")["series"]
    assert (made["baseline"], made["inset"], made["strip_side"]) == ("203,86", "2,5", "right")
    assert (made["tolerance"]["gap"], made["tolerance"]["joint"]) == ("0.1", "150")
    assert made["strips"] == 5


def test_what_is_proposed_follows_the_machine_and_keeps_what_was_typed(bench):
    """A machine that serves two works, and another one that was never measured."""
    page = bench.page
    bench.start(work="picture frame", baseline="180")
    bench.open()
    page.click("#finish")
    bench.start(work="case work", baseline="190")
    page.click("#finish")
    page.click("#again")
    works = page.locator("#work")
    expect(works.get_by_role("radio", name="case work")).to_be_checked()
    expect(works.locator(".card", has_text="picture frame")).to_contain_text("As before.")
    expect(page.locator("#baseline")).to_have_value("190")
    expect(page.locator("#strips-why")).to_contain_text("5 strips to begin with")
    page.fill("#strips", "7")
    # Another way to check has lengths of its own; what the person said stays.
    page.check("[name=method][value=half-turn]")
    expect(page.locator("#thickness")).to_have_value("")
    page.check("[name=method][value=reversal]")
    expect(page.locator("#baseline")).to_have_value("190")
    expect(page.locator("#strips")).to_have_value("7")
    # Nothing is known of a new machine: what it makes is asked, and each field says what is wrong.
    new_machine(page)
    page.set_viewport_size({"width": 390, "height": 844})
    page.click("#show-guide")
    expect(page.locator("#machine-name")).to_be_focused()
    expect(page.locator("#machine-name-wrong")).to_have_text("Give the new machine a name.")
    expect(works).to_have_attribute("aria-invalid", "true")
    expect(works).to_have_attribute("aria-describedby", "work-wrong")
    expect(page.locator("#baseline-wrong")).to_be_visible()
    no_serious_axe_findings(page)
    expect(page.locator("#guide")).to_be_hidden()
    # Loaded again, the page has what was said, and not the machine of last time.
    page.fill("#machine-name", f"Attic saw of {bench.name}")
    works.get_by_role("radio", name="picture frame").check()
    page.fill("#baseline", "8 1/32")
    page.click(".more-settings summary")
    page.fill("#note", "new blade")
    page.reload()
    expect(page.locator("#setup")).to_have_attribute("aria-busy", "false")
    expect(page.locator("#machine")).to_have_value("")
    expect(page.locator("#machine-name")).to_have_value(f"Attic saw of {bench.name}")
    expect(works.get_by_role("radio", name="picture frame")).to_be_checked()
    expect(page.locator("#baseline")).to_have_value("8 1/32")
    expect(page.locator("#strips")).to_have_value("7")
    expect(page.locator("#note")).to_be_visible()
    expect(page.locator("#note")).to_have_value("new blade")
    # Whoever comes to it anew finds what is proposed.
    page.goto(page.url)
    expect(page.locator("#baseline")).to_have_value("190")


def test_a_wrong_length_is_said_at_its_field(bench):
    page = bench.page
    bench.open()
    fill_in(page, bench.name)
    page.fill("#baseline", "twenty")
    page.click("#show-guide")
    expect(page.locator("#baseline")).to_be_focused()
    expect(page.locator("#baseline-wrong")).to_contain_text("twenty")
    expect(page.locator("#guide")).to_be_hidden()


def test_what_the_server_refuses_is_said_at_its_field_before_the_guide(bench, complaints):
    page = bench.page
    bench.open()
    fill_in(page, bench.name)
    page.click("text=More settings")
    page.fill("#inset", "150")  # twice that is longer than the cut
    page.click("text=More settings")
    page.click("#show-guide")
    expect(page.locator("#inset")).to_be_focused()
    expect(page.locator("#inset-wrong")).to_be_visible()
    expect(page.locator("#guide")).to_be_hidden()
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
        intercept(page, "**/guide/*", failing)
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


def test_an_odd_length_is_asked_about_at_its_field_before_the_guide(bench):
    page = bench.page
    page.set_viewport_size({"width": 390, "height": 844})
    bench.open()
    fill_in(page, bench.name)
    page.fill("#machine-kind", "miter saw")
    page.fill("#baseline", "18,4")
    page.click("#show-guide")
    asked = page.locator(".asked-length")
    expect(asked).to_contain_text("Is it 184 mm")
    expect(asked.locator("button").first).to_be_focused()
    no_serious_axe_findings(page)
    page.fill("#baseline", "1840")
    page.keyboard.press("Tab")
    expect(asked).to_have_count(0)
    page.click("#show-guide")
    page.click("text=Use 184 mm")
    expect(page.locator("#guide-title")).to_be_focused()
    page.click("#back-to-setup")
    expect(page.locator("#baseline")).to_have_value("184")

    page.fill("#baseline", "18,4")
    page.click("#show-guide")
    page.click("text=Keep 18,4 mm")
    expect(page.locator("#guide-title")).to_be_focused()
    page.click("#start")
    expect(page.locator("#measuring")).to_be_visible()
    assert bench.server.get(f"/api/benches/{bench.name}")["series"]["baseline"] == "18,4"
    page.click("#finish")
    page.click("#again")
    page.click("#show-guide")  # what was kept is not asked about again
    expect(page.locator("#guide-title")).to_be_focused()
