"""The Bench page as a person at the saw meets it: a real server, a real Chromium."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from capture.pretend import PtyPort
from tests.ptys import plugged, until
from tests.whole.at_the_bench import Bench, forgive
from tests.whole.browser import (
    DOWN,
    ENTER,
    KEYPAD_ENTER,
    TAB,
    HeldBack,
    Key,
    no_serious_axe_findings,
    us,
)
from tests.whole.forked import serving


def fill_in(page: Page, machine: str) -> None:
    page.select_option("#machine", "")
    page.fill("#machine-name", machine)
    page.fill("#machine-kind", "radial arm saw")
    page.fill("#baseline", "203,86")


def wait_for(page: Page, condition: str) -> None:
    """Playwright's own wait_for_function needs an eval that the page forbids."""
    assert until(lambda: page.evaluate(condition)), condition


# ---- setting up


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
    # The button stands right under what has to be read.
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


# ---- the answer to a press


def test_every_press_is_answered_in_word_sound_and_next_place(bench):
    series = bench.start()
    bench.open()
    bench.next("fence end")
    expect(bench.page.locator('.place.next[data-place="fence end"] .pointer')).to_be_visible()
    bench.press("13.21")
    bench.shows("13.21")
    bench.state("kept: fence end")
    bench.next("open end")
    expect(bench.page.locator('.place.next[data-place="open end"] .pointer')).to_be_visible()
    assert bench.sounded == "kept"
    bench.press("13.25")
    bench.shows("13.25")
    bench.state("pair complete")
    bench.next("strip 2")
    assert bench.sounded == "complete"
    row = bench.page.locator("#trials tbody tr").first
    expect(row).to_contain_text("13.21")
    expect(row).to_contain_text("13.25")
    expect(row).to_contain_text("+0.040")
    assert bench.readings(series) == ["13.21", "13.25"]


def test_the_last_reading_can_be_read_from_two_metres(bench):
    bench.start()
    bench.page.set_viewport_size({"width": 1280, "height": 800})
    bench.open()
    bench.press("13.21")
    bench.shows("13.21")
    size = bench.page.evaluate(
        "parseFloat(getComputedStyle(document.getElementById('value')).fontSize)"
    )
    # A character seen from 2 m should subtend 20 minutes of arc, 12 mm, or about 44 CSS
    # pixels of 1/96 in (common practice, no source); capitals are 0.7 of the font size.
    assert size >= 100


def test_the_result_says_how_far_which_way_and_how_sure(bench):
    """Ends of 0.475 and 0.482 in over 8.026 in: 0.025 degrees (common practice, no source)."""
    bench.start(unit="in", baseline="8.026", tolerance_deg="0.2", strip_side="left")
    bench.open()
    for _ in range(2):
        bench.press("0.475", unit="in")
        bench.press("0.482", unit="in")
    expect(bench.page.locator("#figure")).to_contain_text("0.025")
    expect(bench.page.locator("#figure")).to_contain_text("right")
    expect(bench.page.locator("#figure")).to_contain_text("95 %")
    expect(bench.page.locator("#verdict")).to_have_text("Good enough")
    expect(bench.page.locator("#sentence")).to_contain_text("leans to the right")
    expect(bench.page.locator('#result .lean[data-lean="right"] .lean.right')).to_be_visible()
    expect(bench.page.locator("#trials tbody tr").first).to_contain_text("+7.0")


def test_a_reading_taken_back_is_struck_and_no_longer_counts(bench):
    series = bench.start()
    bench.open()
    bench.press("13.21")
    bench.press("13.52")
    bench.state("pair complete")
    bench.page.click("#take-back")
    bench.state("taken back")
    bench.shows("13.52")
    bench.next("open end")
    assert bench.sounded == "taken back"
    assert bench.readings(series) == ["13.21"]


def test_an_answer_long_on_its_way_does_not_undo_what_was_told_since(bench):
    bench.start()
    bench.open()
    bench.press("13.21")
    bench.press("13.52")
    figure = bench.page.locator("#figure")
    expect(figure).to_contain_text("1 trial")
    stands = HeldBack(bench.page, f"**/api/benches/{bench.name}")
    bench.page.context.set_offline(True)
    expect(bench.page.locator("#sign-live")).to_contain_text("no link to the server")
    bench.page.context.set_offline(False)  # the link comes back, and the page asks how things stand
    expect(bench.page.locator("#sign-live")).to_have_text("live")
    assert stands.answered()["next"]["place"] == "fence end"
    bench.page.click("#take-back")
    bench.state("taken back")
    expect(figure).to_have_text("No result yet")  # how the bench stands comes with the score
    bench.next("open end")
    stands.let_go()
    bench.next("open end")
    forgive(bench.complaints)


def test_a_strip_taken_back_does_not_come_again_with_an_answer_long_on_its_way(bench):
    page = bench.page
    bench.open()
    whole = HeldBack(page, "**/api/series/*")
    bench.start()
    assert whole.route
    bench.press("13.21")
    rows = page.locator("#trials tbody tr")
    expect(rows).to_have_count(1)
    assert len(whole.answered()["trials"]) == 1
    page.click("#take-back")
    expect(rows).to_have_count(0)
    whole.let_go()
    expect(rows).to_have_count(0)


def test_jaws_shut_and_sent_take_back_without_a_hand_on_the_page(bench):
    series = bench.start()
    bench.open()
    bench.press("13.21")
    bench.state("kept")
    bench.press("0.00")
    bench.state("taken back")
    bench.shows("13.21")
    bench.next("fence end")
    assert bench.readings(series) == []


def test_after_a_reload_each_answer_reads_as_it_stands_now(bench):
    bench.start()
    bench.open()
    bench.press("13.21")
    bench.press("13.25")
    bench.state("pair complete")
    bench.page.click("#take-back")
    bench.state("taken back")
    bench.page.reload()
    bench.state("taken back")
    bench.shows("13.25")
    bench.press("0.00")
    bench.next("fence end")
    bench.state("taken back")
    bench.shows("13.21")
    bench.page.reload()
    bench.state("taken back: the jaws were shut")
    bench.press("0.01")
    bench.state("nothing to take back")
    bench.press("13.30")
    bench.state("kept")
    bench.press("13.30", since_previous_ms=80)
    bench.state("ignored: repeat")
    bench.page.reload()
    bench.state("ignored: repeat")
    expect(bench.page.locator("#restore")).to_be_visible()


def test_swapped_ends_are_put_right_with_one_button(bench):
    series = bench.start()
    bench.open()
    bench.press("13.21")
    bench.press("13.25")
    bench.state("pair complete")
    bench.page.click("#swap-ends")
    row = bench.page.locator("#trials tbody tr").first
    expect(row).to_contain_text("ends swapped")
    expect(row).to_contain_text("−0.040")
    assert bench.server.get(f"/api/series/{series}")["trials"][0]["deviation_mm"] == -0.04


def test_what_a_careful_reader_should_know_of_a_trial_is_said_in_words(bench):
    bench.start()
    bench.open()
    bench.press("312.30")
    bench.state("kept")
    row = bench.page.locator("#trials tbody tr").first
    expect(row).to_contain_text("longer than the jaws open")


def test_a_bounce_is_shown_and_can_be_counted_after_all(bench):
    series = bench.start()
    bench.open()
    bench.press("13.21")
    bench.state("kept")
    bench.press("13.21", since_previous_ms=80)
    bench.state("ignored: repeat")
    assert bench.readings(series) == ["13.21"]
    bench.page.click("#restore")
    bench.next("strip 2")
    bench.state("pair complete: strip 1")
    expect(bench.page.locator("#restore")).to_be_hidden()
    assert bench.sounded == "complete"
    assert bench.readings(series) == ["13.21", "13.21"]
    bench.page.reload()
    bench.state("pair complete: strip 1")


def test_a_line_nobody_understands_is_shown_as_received(page, tmp_path, complaints):
    with (
        plugged() as port,
        serving(tmp_path / "shop", "--caliper", f"serial:{port.target},unit=mm") as server,
    ):
        server.start_series()
        assert server.calipers_listen()
        at = Bench(server, page, "main")
        at.open()
        port.send(b"12.3.4\r\n")
        at.state("not understood")
        expect(page.locator("#value")).to_have_text("12.3.4")
        expect(page.locator("#state-more")).not_to_be_empty()
        assert at.sounded == "refused"
        port.send(b"12.34\r\n")
        at.shows("12.34")
        at.state("kept")
        assert complaints == []


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


def test_an_unplugged_caliper_is_named_until_it_is_back(page, tmp_path):
    with (
        plugged(tmp_path / "caliper") as port,
        serving(tmp_path / "shop", "--caliper", f"serial:{port.target},unit=mm") as server,
    ):
        server.start_series()
        assert server.calipers_listen()
        at = Bench(server, page, "main")
        at.open()
        expect(page.locator("#notice")).to_be_hidden()
        port.unplug()
        expect(page.locator("#notice")).to_be_visible()
        port.plug()
        expect(page.locator("#notice")).to_be_hidden()
        assert server.calipers_listen()
        port.send(b"12.34\r\n")
        at.shows("12.34")


def test_a_series_started_elsewhere_takes_the_page_along(bench):
    bench.open()
    expect(bench.page.locator("#setup")).to_be_visible()
    bench.start()
    expect(bench.page.locator("#measuring")).to_be_visible()
    bench.next("fence end")


def test_repeats_say_which_one_is_next(bench):
    bench.start(repeats=3)
    bench.open()
    bench.next("reading 1 of 3")
    bench.press("13.21")
    bench.next("reading 2 of 3")


def test_a_reload_in_the_middle_of_a_strip_loses_nothing(bench):
    bench.start()
    bench.open()
    for width in ("13.21", "13.25", "13.30"):
        bench.press(width)
    bench.next("open end")
    bench.page.reload()
    bench.next("open end")
    bench.shows("13.30")
    bench.state("kept: fence end, strip 2")
    expect(bench.page.locator("#trials tbody tr")).to_have_count(2)
    expect(bench.page.locator("#figure")).to_contain_text("°")


def test_the_page_shows_how_things_stand_before_it_asks_anything(bench, complaints):
    bench.start(tolerance_deg="0.5")
    for width in ("13.21", "13.25", "13.30"):
        bench.press(width)
    bench.page.route("**/api/**", lambda route: route.abort())
    bench.page.goto(f"{bench.server.url}/bench/{bench.name}")
    bench.next("open end")
    bench.shows("13.30")
    bench.state("kept: fence end, strip 2")
    expect(bench.page.locator("#trials tbody tr")).to_have_count(2)
    expect(bench.page.locator("#figure")).to_contain_text("°")
    expect(bench.page.locator('.place.next[data-place="open end"]')).to_be_visible()
    forgive(complaints)


def test_a_series_started_later_shows_its_own_strip(bench):
    bench.start(method="stop-block")
    bench.open()
    expect(bench.page.locator("#places svg")).to_be_visible()
    bench.start(method="half-turn", baseline=None, thickness="18")
    bench.next("lower edge")
    expect(bench.page.locator('.place.next[data-place="lower edge"] .pointer')).to_be_visible()


# ---- units


def test_units_are_a_persons_choice_without_a_reload(bench):
    """Ends of 0.475 and 0.482 in over 8.026 in: 0.025 degrees (common practice, no source)."""
    page = bench.page
    bench.start(unit="in", baseline="8.026", tolerance_deg="0.2")
    bench.open()
    for _ in range(2):
        bench.press("0.475", unit="in")
        bench.press("0.482", unit="in")
    row = page.locator("#trials tbody tr").first
    expect(page.locator("#trials thead")).to_contain_text("Deviation, thou")
    expect(row).to_contain_text("+7.0")
    expect(page.locator("#figure")).to_contain_text("0.025")
    page.evaluate("globalThis.same = true")
    page.click("text=Settings")
    page.select_option("#show-lengths", "mm")
    page.select_option("#show-angles", "arcmin")
    expect(page.locator("#trials thead")).to_contain_text("Deviation, mm")
    expect(row).to_contain_text("+0.178")  # 0.007 in
    expect(row).to_contain_text("12.243")  # 0.482 in
    expect(page.locator("#figure")).to_contain_text("′ right")
    expect(page.locator("#figure")).to_contain_text("1.50")  # 0.0250 degrees
    expect(page.locator("#sentence")).to_contain_text("arc minutes")
    expect(page.locator("#sentence")).to_contain_text("mm per 300 mm")
    # What the caliper shows stays a hand high; what it is in the other unit stands beside it.
    bench.shows("0.482")
    expect(page.locator("#state-more")).to_contain_text("= 12.243 mm")
    page.select_option("#show-lengths", "thou")
    expect(page.locator("#trials thead")).to_contain_text("Deviation, thou")
    expect(row).to_contain_text("482.0 thou")
    assert page.evaluate("same")
    page.reload()
    expect(page.locator("#figure")).to_contain_text("′ right")
    expect(page.locator("#show-lengths")).to_have_value("thou")


# ---- keys


@pytest.mark.parametrize(
    "end",
    [
        pytest.param([ENTER], id="enter"),
        pytest.param([KEYPAD_ENTER], id="keypad enter"),
        pytest.param([TAB], id="tab"),
        pytest.param([ENTER, ENTER], id="enter twice"),
        pytest.param([ENTER, DOWN], id="enter and down"),
        pytest.param([], id="no end key"),
    ],
)
def test_a_caliper_that_types_gives_one_reading_however_it_ends(bench, end: list[Key]):
    series = bench.start()
    bench.open()
    bench.keyboard.strike([*us("12.34"), *end])
    bench.shows("12.34")
    bench.next("open end")
    bench.keyboard.strike([*us("12.41"), *end])
    bench.shows("12.41")
    bench.next("strip 2")
    assert bench.readings(series) == ["12.34", "12.41"]
    assert bench.page.input_value("#typed-value") == ""
    assert bench.page.evaluate("scrollY") == 0


@pytest.mark.parametrize(
    "keys",
    [
        pytest.param(
            [("&", "Digit1"), ("é", "Digit2"), (":", "Period"), ('"', "Digit3"), ("'", "Digit4")],
            id="US caliper, French desk",
        ),
        pytest.param(
            [
                ("End", "Numpad1"),
                ("ArrowDown", "Numpad2"),
                ("Delete", "NumpadDecimal"),
                ("PageDown", "Numpad3"),
                ("ArrowLeft", "Numpad4"),
            ],
            id="keypad without NumLock",
        ),
        pytest.param(
            [("1", "Numpad1"), ("2", "Numpad2"), (",", "NumpadDecimal"), *us("34")],
            id="German keypad",
        ),
        pytest.param(us("  12.34"), id="padded with spaces"),
    ],
)
def test_layouts_and_locks_do_not_change_the_value(bench, keys: list[Key]):
    series = bench.start()
    bench.open()
    bench.keyboard.strike([*keys, ENTER])
    bench.next("open end")
    trial = bench.server.get(f"/api/series/{series}")["trials"][0]
    assert trial["readings"][0]["mm"] == 12.34
    assert bench.page.evaluate("scrollY") == 0


def test_a_burst_never_presses_the_button_that_has_the_focus(bench):
    series = bench.start()
    bench.open()
    bench.press("13.21")
    bench.state("kept")
    for button in ("#take-back", "#finish"):
        bench.page.focus(button)
        bench.keyboard.strike([*us("  13.25"), ENTER])
        bench.keyboard.strike([*us("13.31"), ENTER])
    assert until(lambda: len(bench.readings(series)) == 5)
    assert bench.server.get(f"/api/benches/{bench.name}")["series"]["id"] == series


def test_space_and_enter_still_press_buttons(bench):
    series = bench.start()
    bench.open()
    bench.press("13.21")
    bench.press("13.25")
    bench.next("strip 2")
    bench.page.focus("#take-back")
    bench.keyboard.strike([(" ", "Space")])
    bench.next("open end")
    # While an act is under way its button does nothing more.
    expect(bench.page.locator("#take-back")).to_have_attribute("aria-busy", "false")
    bench.page.focus("#take-back")
    bench.keyboard.strike([ENTER])
    bench.next("fence end")
    assert bench.readings(series) == []


def test_what_a_person_types_outside_any_field_is_not_lost(bench):
    series = bench.start()
    bench.open()
    bench.keyboard.person("13.2", enter=False)
    expect(bench.page.locator("#typed-value")).to_have_value("13.2")
    expect(bench.page.locator("#typed-value")).to_be_focused()
    bench.keyboard.person("1")
    bench.shows("13.21")
    assert bench.readings(series) == ["13.21"]
    reading = bench.server.get(f"/api/benches/{bench.name}")["last_reading"]
    assert reading["origin"] == "typed"


def test_a_caliper_that_types_into_the_value_field_is_known_as_one(bench):
    bench.start()
    bench.open()
    bench.page.focus("#typed-value")
    bench.keyboard.caliper("13.21")
    bench.shows("13.21")
    expect(bench.page.locator("#typed-value")).to_have_value("")
    assert bench.server.get(f"/api/benches/{bench.name}")["last_reading"]["origin"] == "keys"


def test_a_typed_value_that_is_none_stays_and_is_explained(bench):
    series = bench.start()
    bench.open()
    bench.page.fill("#typed-value", "thirteen")
    bench.page.press("#typed-value", "Enter")
    expect(bench.page.locator("#typed-said")).to_contain_text("thirteen")
    expect(bench.page.locator("#typed-value")).to_have_value("thirteen")
    assert bench.readings(series) == []


def test_a_held_key_types_one_character(bench):
    series = bench.start()
    bench.open()
    bench.keyboard.strike([*us("13.21"), ENTER], repeat=True)
    bench.shows("13.21")
    assert bench.readings(series) == ["13.21"]


def test_keys_typed_into_the_form_stay_in_the_form_and_the_page_says_so(bench):
    bench.open()
    expect(bench.page.locator("#sign-keys")).to_contain_text("listening for keys")
    bench.page.click("text=More settings")
    bench.page.focus("#note")
    expect(bench.page.locator("#sign-keys")).to_contain_text("not listening")
    bench.keyboard.strike([*us("12.34"), TAB])
    expect(bench.page.locator("#note")).to_have_value("12.34")
    assert bench.server.get(f"/api/benches/{bench.name}")["last_reading"] is None


def test_a_page_that_lost_the_focus_says_that_it_does_not_listen(bench):
    bench.open()
    # The browser under test believes every page to be in front; this one is told otherwise.
    bench.page.evaluate(
        "() => { document.hasFocus = () => false; dispatchEvent(new Event('blur')); }"
    )
    expect(bench.page.locator("#sign-keys")).to_contain_text(
        "not listening: this page is not in front"
    )


def test_shortcuts_are_left_to_the_browser(bench):
    bench.open()
    untouched = bench.page.evaluate(
        """() => ['ctrlKey', 'metaKey', 'altKey'].map((held) => {
             const event = new KeyboardEvent('keydown',
               { key: '5', code: 'Digit5', [held]: true, bubbles: true, cancelable: true });
             document.body.dispatchEvent(event);
             return event.defaultPrevented;
           })"""
    )
    assert untouched == [False, False, False]


# A page that stands still hears silence where there was none. Which keys belong together only
# their own time stamps tell: `at` continues a burst, however late the rest of it is struck.


@pytest.mark.parametrize("focus", ["#finish", "#typed-value"])
@pytest.mark.parametrize(
    "rest",
    [
        pytest.param([us("4")], id="no end key"),
        pytest.param([[*us("4"), ENTER]], id="enter"),
        pytest.param([us("4"), us("5")], id="two stalls"),
        pytest.param([us(" mm")], id="unit"),
    ],
)
def test_a_burst_cut_in_two_by_a_stall_gives_one_reading(bench, rest, focus):
    series = bench.start()
    bench.open()
    page = bench.page
    bench.press("13.21")
    bench.next("open end")
    page.evaluate(
        """() => {
             window.heard = [];
             const root = document.documentElement;
             new MutationObserver(() => heard.push(root.dataset.sounded))
               .observe(root, { attributeFilter: ["data-sounded"] });
           }"""
    )
    page.focus(focus)
    whole = "12.3"
    at = bench.keyboard.strike(us(whole))
    bench.shows("12.3")
    bench.next("strip 2")
    for keys in rest:
        whole += "".join(key for key, _ in keys if key != "Enter")
        at = bench.keyboard.strike(keys, at=at)
        bench.holds(series, [["13.21", whole]])
        bench.shows(whole.removesuffix(" mm"))
        bench.state("pair complete")
    bench.next("strip 2")
    # Nothing is lost, and nobody who pressed once is told that something was taken back.
    aside = bench.server.get(f"/api/series/{series}")["aside"]
    parts = ["12.3", "12.34"][: len(rest)]
    assert [(r["sent"], r["why"]) for r in aside] == [(part, "taken back") for part in parts]
    wait_for(page, f"heard.length > {len(rest)}")
    assert set(page.evaluate("heard")) == {"complete"}
    assert page.input_value("#typed-value") == ""
    expect(page.locator("#aside")).to_be_hidden()


@pytest.mark.parametrize("end", [[ENTER], [TAB], [ENTER, DOWN]], ids=["enter", "tab", "and down"])
def test_an_end_key_that_comes_late_ends_the_burst_and_does_nothing_else(bench, end):
    series = bench.start()
    bench.open()
    bench.page.focus("#finish")
    at = bench.keyboard.strike(us("12.34"))
    bench.shows("12.34")
    bench.keyboard.strike(end, at=at)
    expect(bench.page.locator("#finish")).to_be_focused()
    bench.keyboard.caliper("12.41")
    bench.next("strip 2")
    assert bench.server.trials(series) == [["12.34", "12.41"]]


@pytest.mark.parametrize("focus", ["#finish", "#typed-value"])
def test_what_goes_on_as_slowly_as_a_person_is_left_to_the_person(bench, focus):
    series = bench.start()
    bench.open()
    bench.page.focus(focus)
    at = bench.keyboard.strike(us("12.3"))
    bench.shows("12.3")
    bench.keyboard.strike(us("45"), gap_ms=80, at=at + 0.07)
    expect(bench.page.locator("#typed-value")).to_have_value("12.345")
    bench.state("taken back")
    assert bench.readings(series) == []


def test_a_part_that_counts_nowhere_is_no_entry_that_could_not_be_taken(bench, complaints):
    bench.open()
    at = bench.keyboard.strike(us("12.3"))
    bench.shows("12.3")
    bench.keyboard.strike([*us("4"), ENTER], at=at)
    bench.shows("12.34")
    wait_for(bench.page, "!Object.keys(localStorage).some((k) => /outbox/.test(k))")
    expect(bench.page.locator("#aside")).to_be_hidden()
    forgive(complaints)


def test_a_part_whose_answer_was_lost_is_withdrawn_all_the_same(bench, complaints):
    series = bench.start()
    bench.open()
    part = HeldBack(bench.page, "**/keys", "POST")
    at = bench.keyboard.strike(us("12.3"))
    assert part.answered()["kept"]
    bench.keyboard.strike([*us("4"), ENTER], at=at)
    part.let_go(status=503, json={"status": 503})
    bench.shows("12.34")
    assert bench.readings(series) == ["12.34"]
    forgive(complaints)


def test_a_part_that_was_set_aside_does_not_come_after_the_whole(bench, complaints):
    series = bench.start()
    bench.open()
    page = bench.page
    page.route("**/keys", lambda route: route.fulfill(status=404, json={"status": 404}))
    at = bench.keyboard.strike(us("12.3"))
    expect(page.locator("#aside")).to_contain_text("12.3")
    page.unroute("**/keys")
    bench.keyboard.strike([*us("4"), ENTER], at=at)
    bench.shows("12.34")
    expect(page.locator("#aside")).to_be_hidden()
    page.reload()
    bench.keyboard.caliper("12.41")
    bench.next("strip 2")
    assert bench.readings(series) == ["12.34", "12.41"]
    forgive(complaints)


# ---- when things break


def test_presses_while_the_server_is_away_arrive_later_in_order(page, tmp_path):
    with serving(tmp_path / "shop") as server:
        series = server.start_series()
        at = Bench(server, page, "main")
        at.open()
        port = server.port
        server.kill()
        expect(page.locator("#sign-live")).to_contain_text("what is typed here is kept")
        for width in ("13.21", "13.25", "13.30"):
            at.keyboard.caliper(width)
        expect(page.locator("#sign-queue")).to_contain_text("3 kept in this browser")
        kept = page.evaluate("Object.entries(localStorage).filter(([key]) => /outbox/.test(key))")
        assert sum("strokes" in entry for _, entry in kept) == 3
        server.start(port)
        assert until(lambda: server.trials(series) == [["13.21", "13.25"], ["13.30"]])
        expect(page.locator("#sign-live")).to_have_text("live")
        expect(page.locator("#sign-queue")).to_be_hidden()
        at.next("open end")
        expect(page.locator("#trials tbody tr")).to_have_count(2)


def test_what_happened_while_the_link_was_down_is_shown_afterwards(page, tmp_path):
    with serving(tmp_path / "shop") as server:
        server.start_series()
        at = Bench(server, page, "main")
        at.open()
        at.press("13.21")
        at.next("open end")
        page.context.set_offline(True)
        port = server.port
        server.kill()
        server.start(port)
        at.press("13.25")
        at.press("13.30")
        page.context.set_offline(False)
        at.next("open end")
        at.shows("13.30")
        expect(page.locator("#trials tbody tr")).to_have_count(2)


def test_what_the_server_trips_over_is_set_aside_and_kept(bench, complaints):
    series = bench.start()
    bench.open()
    page = bench.page
    trips = re.compile("/api/readings")

    def answer(route):
        if "12.34" in (route.request.post_data or ""):
            route.fulfill(status=500, json={"title": "It broke", "status": 500})
        else:
            route.continue_()

    page.route(trips, answer)
    for value in ("12.34", "12.41"):
        page.fill("#typed-value", value)
        page.press("#typed-value", "Enter")
    # It holds nobody up.
    bench.shows("12.41")
    expect(page.locator("#aside")).to_contain_text("1 entry the server could not take: 12.34")
    assert bench.readings(series) == ["12.41"]
    # Tried again on the next load, and still here.
    with page.expect_response(trips):
        page.reload()
    expect(page.locator("#aside")).to_contain_text("12.34")
    page.unroute(trips)
    page.click("#aside-again")
    bench.shows("12.34")
    expect(page.locator("#aside")).to_be_hidden()
    assert bench.readings(series) == ["12.41", "12.34"]
    forgive(complaints)


def test_what_was_set_aside_goes_by_itself_on_the_next_load(bench, complaints):
    series = bench.start()
    bench.open()
    page = bench.page
    page.route("**/keys", lambda route: route.fulfill(status=404, json={"status": 404}))
    bench.keyboard.caliper("12.34")
    expect(page.locator("#aside")).to_contain_text("12.34")
    page.unroute("**/keys")
    page.reload()
    bench.shows("12.34")
    expect(page.locator("#aside")).to_be_hidden()
    assert bench.readings(series) == ["12.34"]
    forgive(complaints)


def test_nothing_is_discarded_at_a_single_touch(bench, complaints):
    series = bench.start()
    bench.open()
    page = bench.page
    page.route("**/keys", lambda route: route.fulfill(status=404, json={"status": 404}))
    bench.keyboard.caliper("12.34")
    discard = page.locator("#aside-discard")
    discard.click()
    expect(discard).to_have_text("Discard 12.34 for good")
    # The page sends what waits whenever the network comes back: that changes nothing here.
    page.evaluate("dispatchEvent(new Event('online'))")
    page.evaluate("new Promise(done => setTimeout(done))")
    expect(discard).to_have_text("Discard 12.34 for good")
    discard.click()
    expect(page.locator("#aside")).to_be_hidden()
    page.unroute("**/keys")
    page.reload()
    bench.keyboard.caliper("12.41")
    bench.shows("12.41")
    assert bench.readings(series) == ["12.41"]
    forgive(complaints)


def test_what_was_discarded_does_not_come_again_with_a_late_refusal(bench, complaints):
    bench.start()
    bench.open()
    page = bench.page
    page.route("**/keys", lambda route: route.fulfill(status=404, json={"status": 404}))
    bench.keyboard.caliper("12.34")
    expect(page.locator("#aside")).to_contain_text("12.34")
    again = HeldBack(page, "**/keys", "POST")
    page.click("#aside-again")
    assert again.route
    page.click("#aside-discard")
    page.click("#aside-discard")
    expect(page.locator("#aside")).to_be_hidden()
    again.let_go(status=404, json={"status": 404})
    expect(page.locator("#aside")).to_be_hidden()
    wait_for(page, "!Object.keys(localStorage).some((key) => /outbox/.test(key))")
    forgive(complaints)


def test_two_pages_of_one_bench_keep_each_others_presses(context: BrowserContext, tmp_path):
    with serving(tmp_path / "shop") as server:
        series = server.start_series()
        at = [Bench(server, context.new_page(), "main") for _ in range(2)]
        for one in at:
            one.open()
        port = server.port
        server.kill()
        for number, width in enumerate(("13.21", "13.25", "13.30")):
            at[number % 2].keyboard.caliper(width)
            count = f"{number + 1} kept in this browser"
            expect(at[number % 2].page.locator("#sign-queue")).to_contain_text(count)
        for one in at:
            one.page.close()
        server.start(port)
        last = Bench(server, context.new_page(), "main")
        last.open()
        assert until(lambda: server.trials(series) == [["13.21", "13.25"], ["13.30"]])
        expect(last.page.locator("#sign-queue")).to_be_hidden()


def test_two_people_at_two_benches_never_see_each_others_readings(server, context: BrowserContext):
    left, right = (Bench(server, context.new_page(), name) for name in ("two left", "two right"))
    for at in (left, right):
        at.start()
        at.open()
    for turn in range(3):
        left.press(f"13.2{turn}")
        left.shows(f"13.2{turn}")
        right.keyboard.caliper(f"47.3{turn}")
        right.shows(f"47.3{turn}")
        left.shows(f"13.2{turn}")
    for at, own, other in ((left, "13.2", "47.3"), (right, "47.3", "13.2")):
        expect(at.page.locator("#trials tbody tr")).to_have_count(2)
        expect(at.page.locator("#trials")).to_contain_text(own)
        expect(at.page.locator("body")).not_to_contain_text(other)
    left.page.click("#take-back")
    left.state("taken back")
    right.state("kept")


@pytest.fixture
def wired(tmp_path):
    """A server with a caliper on a real pseudo-terminal, and a series that it feeds."""
    with (
        plugged() as port,
        serving(tmp_path / "shop", "--caliper", f"serial:{port.target},unit=mm") as server,
    ):
        series = server.start_series(tolerance_deg="0.5")
        assert server.calipers_listen()
        yield server, port, series


def test_a_server_killed_in_the_middle_of_a_series_goes_on_where_it_was(page, wired):
    server, port, series = wired
    at = Bench(server, page, "main")
    at.open()
    for width in ("13.21", "13.25", "13.30"):
        port.send(f"{width}\n".encode())
        at.shows(width)
    where = server.port
    server.kill()
    expect(page.locator("#sign-live")).to_contain_text("no link to the server")
    at.shows("13.30")
    server.start(where)
    assert server.calipers_listen()
    expect(page.locator("#sign-live")).to_have_text("live")
    at.next("open end")
    port.send(b"13.34\n")
    at.shows("13.34")
    at.state("pair complete: strip 2")
    expect(page.locator("#trials tbody tr")).to_have_count(2)
    assert server.trials(series) == [["13.21", "13.25"], ["13.30", "13.34"]]


def test_a_page_out_of_reach_says_presses_are_kept_and_comes_back_complete(page, wired):
    server, port, series = wired
    at = Bench(server, page, "main")
    at.open()
    port.send(b"13.21\n")
    at.next("open end")
    page.context.set_offline(True)
    expect(page.locator("#sign-live")).to_contain_text("what is typed here is kept")
    widths = [f"{13 + n / 50:.2f}" for n in range(13)]
    for number, width in enumerate(widths):
        port.send(f"{width}\n".encode())
        assert until(lambda n=number: sum(map(len, server.trials(series))) == n + 2)
    at.shows("13.21")
    asked: list[str] = []
    page.on("request", lambda r: asked.append(r.url) if "/api/series/" in r.url else None)
    page.context.set_offline(False)
    expect(page.locator("#sign-live")).to_have_text("live")
    at.shows(widths[-1])
    at.next("strip 8")
    expect(page.locator("#trials tbody tr")).to_have_count(7)
    expect(page.locator("#figure")).to_contain_text("7 trials")
    assert asked == []  # the live link alone brought it


# ---- a phone


def test_a_bench_for_this_computer_alone_says_how_to_let_a_phone_in(bench):
    bench.open()
    bench.page.click("text=On a phone")
    expect(bench.page.locator(".phone")).to_contain_text("bothends serve --host 0.0.0.0")
    expect(bench.page.locator(".phone img")).to_have_count(0)


def test_a_code_opens_this_bench_on_a_phone(page, tmp_path):
    with serving(tmp_path / "shop", "--host", "0.0.0.0") as server:
        local = f"http://127.0.0.1:{server.port}"
        page.goto(f"{local}/bench/by%20the%20window")
        page.click("text=On a phone")
        address = page.locator(".phone a").get_attribute("href")
        assert address is not None
        assert "127.0.0.1" not in address
        assert address.endswith(f":{server.port}/bench/by%20the%20window")
        code = page.locator(".phone img")
        expect(code).to_be_visible()
        wait_for(page, "document.querySelector('.phone img').naturalWidth > 0")
        # As another device would.
        page.goto(address)
        expect(page.locator("#bench-name")).to_have_text("by the window")
        expect(page.locator("#sign-live")).to_have_text("live")


# ---- for everybody


@pytest.mark.parametrize(("width", "height"), [(390, 844), (1280, 800)])
def test_reading_next_place_and_verdict_are_in_sight_without_scrolling(bench, width, height):
    bench.page.set_viewport_size({"width": width, "height": height})
    bench.start(unit="in", baseline="8.026", tolerance_deg="0.2")
    bench.open()
    for _ in range(2):
        bench.press("0.4750", unit="in")
        bench.press("0.4820", unit="in")
    bench.next("strip 3")
    expect(bench.page.locator("#verdict")).to_have_text("Good enough")
    hidden = bench.page.evaluate(
        """() => {
             const bottom = document.getElementById('typed').getBoundingClientRect().top;
             return ['next', 'value', 'state', 'verdict', 'figure', 'places', 'take-back']
               .filter((id) => {
                 const box = document.getElementById(id).getBoundingClientRect();
                 return box.height === 0 || box.top < 0 || box.bottom > bottom
                   || box.right > innerWidth;
               });
           }"""
    )
    assert hidden == []


def test_four_answers_sound_clearly_different(server, context: BrowserContext):
    context.add_init_script(
        """globalThis.tones = [];
           const start = OscillatorNode.prototype.start;
           OscillatorNode.prototype.start = function (when) {
             tones.push(`${this.type} ${this.frequency.value}`); return start.call(this, when); };
           const set = AudioParam.prototype.setValueAtTime;
           AudioParam.prototype.setValueAtTime = function (value, when) {
             if (value > 20) tones.push(`from ${value}`); return set.call(this, value, when); };"""
    )
    page = context.new_page()
    page.goto(f"{server.url}/bench/sounds")
    page.click("text=Settings")
    heard = {}
    for name in ("kept", "complete", "taken back", "refused"):
        page.evaluate("tones.length = 0")
        page.click(f'[data-sound="{name}"]')
        wait_for(page, "tones.length > 0")
        heard[name] = tuple(page.evaluate("tones"))
    assert len(set(heard.values())) == 4, heard


def test_the_result_is_said_aloud_and_can_be_silenced(server, context: BrowserContext):
    context.add_init_script(
        """globalThis.said = [];
           SpeechSynthesis.prototype.speak = (words) => said.push(words.text);"""
    )
    page = context.new_page()
    at = Bench(server, page, "spoken")
    at.start(unit="in", baseline="8.026", tolerance_deg="0.5")
    at.open()
    at.press("0.475", unit="in")
    at.press("0.482", unit="in")
    wait_for(page, "said.length > 0")
    said = page.evaluate("said.at(-1)")
    assert "0.025 degrees to the right" in said
    page.click("text=Settings")
    page.uncheck("#speech-on")
    page.evaluate("said.length = 0")
    at.press("0.475", unit="in")
    at.press("0.490", unit="in")
    at.state("pair complete: strip 2")
    at.next("strip 3")
    expect(page.locator("#figure")).to_contain_text("2 trials")
    assert page.evaluate("said") == []
    page.reload()
    expect(page.locator("#speech-on")).not_to_be_checked()


def test_the_screen_stays_awake_while_a_series_runs(server, context: BrowserContext):
    context.add_init_script(
        """globalThis.locks = [];
           const request = async () => {
             const lock = new EventTarget(); lock.release = async () => locks.push('released');
             locks.push('held'); return lock; };
           Object.defineProperty(Navigator.prototype, 'wakeLock', { get: () => ({ request }) });"""
    )
    page = context.new_page()
    at = Bench(server, page, "awake")
    at.start()
    at.open()
    wait_for(page, "locks.at(-1) === 'held'")
    page.click("#finish")
    wait_for(page, "locks.at(-1) === 'released'")


@pytest.mark.parametrize("width", [320, 390, 768, 1280, 1600])
def test_nothing_is_cut_off_at_any_width(bench, width: int):
    bench.page.set_viewport_size({"width": width, "height": 800})
    overflow = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    bench.open()
    assert bench.page.evaluate(overflow) <= 0
    fill_in(bench.page, bench.name)
    bench.page.click("#show-guide")
    expect(bench.page.locator("#guide")).to_be_visible()
    assert bench.page.evaluate(overflow) <= 0
    bench.start(unit="in", baseline="8.026", tolerance_deg="0.02")
    for width_in in ("0.5840", "1.6170", "0.5840"):
        bench.press(width_in, unit="in")
    bench.shows("0.5840")
    bench.next("strip 2")
    assert bench.page.evaluate(overflow) <= 0
    value = bench.page.locator("#value")
    assert value.evaluate("(e) => e.scrollWidth <= e.clientWidth")


def test_every_control_has_a_name_and_every_id_is_one(bench):
    bench.start()
    bench.open()
    bench.press("13.21")
    bench.state("kept")
    nameless, twice, names = bench.page.evaluate(
        """() => {
             const name = (e) => (e.getAttribute('aria-label') ?? '')
               + [...(e.labels ?? [])].map((l) => l.textContent).join('') + e.textContent;
             const controls = [...document.querySelectorAll('button, input, select, summary, a')];
             const ids = [...document.querySelectorAll('[id]')].map((e) => e.id);
             const pictures = [...document.querySelectorAll('svg')].filter((e) =>
               !(e.getAttribute('aria-hidden') === 'true'
                 || (e.getAttribute('role') === 'img' && e.getAttribute('aria-label'))));
             return [
               controls.filter((e) => !name(e).trim()).map((e) => e.outerHTML),
               ids.filter((id, i) => ids.indexOf(id) !== i),
               pictures.map((e) => e.outerHTML),
             ];
           }"""
    )
    assert (nameless, twice, names) == ([], [], [])


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious_in_any_view(bench, scheme):
    page = bench.page
    page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
    bench.open()
    no_serious_axe_findings(page)
    fill_in(page, bench.name)
    page.click("#show-guide")
    expect(page.locator("#guide")).to_be_visible()
    no_serious_axe_findings(page)
    bench.start(tolerance_deg="0.02")
    for width in ("13.21", "13.25", "13.30"):
        bench.press(width)
    bench.next("open endstrip 2")
    page.click("#again-guide summary")
    expect(page.locator("#again-guide .cautions")).to_be_visible()
    no_serious_axe_findings(page)


def test_controls_are_large_enough_for_dusty_fingers(bench):
    """24 by 24 CSS pixels at least: WCAG 2.2, 2.5.8."""
    bench.start()
    bench.open()
    small = bench.page.evaluate(
        """() => [...document.querySelectorAll('button, input, select, summary')]
             .filter((e) => e.checkVisibility())
             .map((e) => (e.closest('label') ?? e).getBoundingClientRect())
             .filter((box) => box.width < 24 || box.height < 24).length"""
    )
    assert small == 0


def test_nothing_moves_for_those_who_asked_for_less_motion(bench):
    bench.page.emulate_media(reduced_motion="reduce")
    bench.start()
    bench.open()
    bench.press("13.21")
    bench.state("kept")
    moving = bench.page.evaluate("document.getAnimations().length")
    assert moving == 0


def test_the_page_is_light_on_the_wire(server, page):
    session = page.context.new_cdp_session(page)
    session.send("Network.enable")
    sizes: list[float] = []
    session.on("Network.loadingFinished", lambda e: sizes.append(e["encodedDataLength"]))
    page.goto(f"{server.url}/bench/light", wait_until="load")
    expect(page.locator("#sign-live")).to_have_text("live")
    assert 0 < sum(sizes) <= 60_000


def test_a_second_visit_asks_for_the_page_alone(server, page):
    page.goto(f"{server.url}/bench/again")
    expect(page.locator("#sign-live")).to_have_text("live")
    page.goto(f"{server.url}/bench/again")
    expect(page.locator("#sign-live")).to_have_text("live")
    again = page.evaluate(
        """performance.getEntriesByType('resource')
             .filter((e) => e.name.includes('/static/') && e.transferSize > 0).map((e) => e.name)"""
    )
    assert again == []


def test_a_page_of_an_earlier_version_still_gets_its_files(server):
    for name in ("base.css", "bench/page.js", "shared/icon.svg"):
        answer = server.client.get(f"/static/v-earlier/{name}")
        assert answer.status_code == 200
        assert answer.headers["Cache-Control"] == "no-cache"
    assert server.client.get("/static/v-earlier/shared/static.py").status_code == 404


def test_the_guide_of_a_method_that_is_none_says_so(server, page):
    answer = page.goto(f"{server.url}/guide/guesswork")
    assert answer is not None
    assert answer.status == 404
    expect(page.locator("h1")).to_have_text("No such guide")


@pytest.mark.parametrize(
    "name",
    [
        pytest.param("</script><script>document.title = 'taken over'</script>", id="script"),
        pytest.param("Säge " * 39 + "Ende!", id="200 characters"),
        pytest.param("<!--<script>", id="comment"),
    ],
)
def test_names_are_shown_as_they_are_and_do_nothing(bench, name):
    series = bench.server.start_series(machine=name, bench=bench.name, note=name)
    bench.page.set_viewport_size({"width": 390, "height": 844})
    bench.open()
    expect(bench.page.locator("#measuring-title")).to_contain_text(name.strip())
    bench.press("13.21", caliper=name)
    bench.state("kept")
    bench.page.reload()
    bench.shows("13.21")
    assert "taken over" not in bench.page.title()
    overflow = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert bench.page.evaluate(overflow) <= 0
    bench.page.click("#finish")
    bench.page.click("#again")
    expect(bench.page.locator("#machine")).to_contain_text(name.strip())
    assert bench.page.evaluate(overflow) <= 0
    assert bench.readings(series) == ["13.21"]


def test_a_bench_may_have_any_name(server, page, complaints):
    page.goto(f"{server.url}/bench/Nordw%C3%A4nd%20%3Cb%3E%262")
    expect(page.locator("#bench-name")).to_have_text("Nordwänd <b>&2")
    expect(page.locator("#sign-live")).to_have_text("live")
    assert complaints == []


def test_a_caliper_that_sends_when_asked_is_asked_with_one_button(page, tmp_path):
    # A caliper that answers each request with the next of its values.
    values = iter([b"12.30\r\n", b"12.34\r\n"])
    port = PtyPort(answer=lambda asked: next(values) if asked.strip() == b"?" else b"")
    spec = f"serial:{port.target},unit=mm,mode=ask,request=?"
    try:
        with serving(tmp_path / "shop", "--caliper", spec) as server:
            series = server.start_series()
            assert server.calipers_listen()
            page.goto(server.url)
            ask = page.get_by_role("button", name="Ask the caliper")
            for count in (1, 2):
                ask.click()
                assert until(lambda n=count: sum(map(len, server.trials(series))) == n)
                # While an act is under way its button does nothing more.
                expect(ask).to_have_attribute("aria-busy", "false")
            assert server.trials(series) == [["12.30", "12.34"]]
            expect(page.locator("#value")).to_contain_text("12.34")
    finally:
        port.close()


def test_a_block_is_asked_for_its_size_and_need_not_have_one(bench):
    bench.open()
    page = bench.page
    known = page.locator("[name=method][value=known-block]")
    known.evaluate("radio => radio.closest('details')?.setAttribute('open', '')")
    known.check()
    expect(page.locator("#baseline-label")).to_have_text("The block's stated size, if it is known")
    page.locator("[name=method][value=reversal]").check()
    expect(page.locator("#baseline-label")).not_to_contain_text("block")
