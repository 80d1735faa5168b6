"""Keys at the Bench page: calipers that type like a keyboard, and people who do."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from tests.ptys import until
from tests.whole.at_the_bench import forgive
from tests.whole.browser import (
    DOWN,
    ENTER,
    KEYPAD_ENTER,
    TAB,
    HeldBack,
    Key,
    intercept,
    us,
    wait_for,
)


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
    # Until the server answers, its button does nothing more.
    expect(bench.page.locator("#take-back")).to_have_attribute("aria-busy", "false")
    bench.page.focus("#take-back")
    bench.keyboard.strike([ENTER])
    bench.next("fence end")
    assert bench.readings(series) == []


def test_what_a_person_types_outside_any_field_is_said_and_is_there_at_a_tap(bench):
    """A digit struck in passing opens nothing."""
    series = bench.start()
    bench.open()
    bench.keyboard.person("13.2", enter=False)
    expect(bench.page.locator("#notice")).to_contain_text("not kept: 13.2.")
    expect(bench.page.locator("#typed")).to_be_hidden()
    bench.type_by_hand()
    expect(bench.page.locator("#typed-value")).to_have_value("13.2")
    bench.page.press("#typed-value", "End")
    bench.keyboard.person("1")
    bench.shows("13.21")
    assert bench.readings(series) == ["13.21"]
    reading = bench.server.get(f"/api/benches/{bench.name}")["last_reading"]
    assert reading["origin"] == "typed"


def test_a_caliper_that_types_into_the_value_field_is_known_as_one(bench):
    bench.start()
    bench.open()
    bench.type_by_hand()
    bench.keyboard.caliper("13.21")
    bench.shows("13.21")
    expect(bench.page.locator("#typed-value")).to_have_value("")
    assert bench.server.get(f"/api/benches/{bench.name}")["last_reading"]["origin"] == "keys"


def test_a_typed_value_that_is_none_stays_and_is_explained(bench):
    series = bench.start()
    bench.open()
    bench.type_by_hand()
    bench.page.fill("#typed-value", "thirteen")
    bench.page.press("#typed-value", "Enter")
    expect(bench.page.locator("#typed-status")).to_contain_text("thirteen")
    expect(bench.page.locator("#typed-value")).to_have_value("thirteen")
    assert bench.sounded == "refused"
    bench.page.fill("#typed-value", "12.7")
    bench.page.press("#typed-value", "Enter")
    bench.state("kept")
    bench.page.click("#take-back")
    bench.state("taken back")
    bench.page.fill("#typed-value", "8 1/0")  # what only the server refuses
    bench.page.press("#typed-value", "Enter")
    expect(bench.page.locator("#typed-status")).to_contain_text("no fraction of an inch")
    assert bench.sounded == "refused"
    forgive(bench.complaints)
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


# A page that is blocked sees silence where there was none. Which keys belong together only
# their own time stamps tell: `at` continues a burst, however late the rest of it is struck.


@pytest.mark.parametrize(
    ("rest", "focus"),
    [
        pytest.param([us("4")], "#finish", id="no end key"),
        pytest.param([[*us("4"), ENTER]], "#finish", id="enter"),
        pytest.param([us("4"), us("5")], "#typed-value", id="two stalls"),
        pytest.param([us(" mm")], "#typed-value", id="unit"),
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
    if focus == "#typed-value":
        bench.type_by_hand()
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
    if focus == "#typed-value":
        bench.type_by_hand()
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
    intercept(page, "**/keys", lambda route: route.fulfill(status=404, json={"status": 404}))
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
