"""The Compare page as a person meets it: a real server, a real Chromium."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Page, expect

from tests.whole.browser import Keyboard, no_serious_axe_findings, us
from tests.whole.forked import serving
from tests.whole.serving import Serving
from tests.whole.shops import cut, measured

OUT = (0.45, 0.44, 0.46, 0.45, 0.44)  # further out, steady
LOOSE = (0.10, 0.31, 0.02, 0.24, 0.17)  # nearer, less steady
FINE = (0.05, 0.06, 0.04, 0.05, 0.05)
NASTY = "<script>document.title='broken'</script>" + "very long name " * 10


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Serving]:
    with serving(tmp_path_factory.mktemp("compare") / "shop") as running:
        yield running


@pytest.fixture(scope="module")
def shop(server: Serving) -> dict[str, str]:
    """Series by a word: `steady`, `loose`, `before` and `after` an adjustment, `tilt`, `nasty`."""
    made = {
        "steady": measured(server, "Steady saw", OUT, tolerance_deg="0.02"),
        "loose": measured(server, "Loose saw", LOOSE),
        "before": measured(server, "Sled", OUT),
        "tilt": measured(server, "Tilting saw", OUT, method="half-turn", thickness="18"),
        "nasty": measured(server, NASTY, LOOSE),
    }
    server.post("/api/setup-changes", {"machine": "Sled", "kind": "swung and back", "note": "45"})
    made["after"] = measured(server, "Sled", (0.05, 0.06, 0.04, 0.05, 0.05))
    return made


@pytest.fixture
def complaints(page: Page) -> list[str]:
    """What the browser complains of: errors, refused styles and scripts."""
    heard: list[str] = []
    page.on("pageerror", lambda error: heard.append(str(error)))
    page.on("console", lambda m: heard.append(m.text) if m.type in ("error", "warning") else None)
    return heard


def test_an_empty_shop_is_told_what_to_do_first(page, tmp_path, complaints):
    with serving(tmp_path / "shop") as empty:
        page.goto(f"{empty.url}/compare")
        expect(page.locator("main")).to_contain_text("Measure at least 2 series")
        expect(page.get_by_role("link", name="Measure one on the Bench page")).to_be_visible()
        expect(page.locator("form")).to_have_count(0)
    assert complaints == []


def test_two_machines_chosen_with_the_keyboard_alone_are_told_apart(server, shop, page, complaints):
    page.goto(f"{server.url}/plan")
    page.get_by_role("link", name="Compare").click()
    # Struck with time stamps of their own: a list that is typed at forgets after a second.
    keyboard = Keyboard(page)
    for which, machine in (("first", "steady saw"), ("second", "loose saw")):
        page.get_by_role("combobox", name=f"The {which}: machine").focus()
        keyboard.strike(us(machine))
        page.keyboard.press("Tab")
    page.get_by_role("button", name="Compare").press("Enter")
    said = server.get(f"/api/compare?a={shop['steady']}&b={shop['loose']}")
    angle = said["quantities"]["angle"]
    expect(page.locator(".answer")).to_have_text(angle["sentence"])
    expect(page.locator(".finding")).to_have_count(2)
    further, steady = page.locator(".finding").all()
    expect(further).to_contain_text("Which is further out?")
    expect(further.locator(".who")).to_have_text("Steady saw")
    expect(further).to_contain_text("Shown by these strips")
    expect(steady).to_contain_text("Which is less steady?")
    expect(steady.locator(".who")).to_have_text("Loose saw")
    assert angle["less_steady"] == {"series": shop["loose"], "shown": True}
    assert complaints == []


def test_the_picture_has_a_dot_for_every_trial_and_a_table_says_the_same(server, shop, page):
    page.goto(f"{server.url}/compare?a={shop['steady']}&b={shop['loose']}")
    expect(page.locator(".chart circle.dot")).to_have_count(5)
    expect(page.locator(".chart polygon.dot")).to_have_count(5)
    expect(page.locator(".chart .interval")).to_have_count(2)
    page.get_by_text("In numbers").first.click()
    rows = page.get_by_role("table", name="In numbers").locator("tbody tr")
    expect(rows).to_have_count(2)
    score = server.get(f"/api/series/{shop['steady']}")["score"]["quantities"]["angle"]
    expect(rows.first).to_contain_text("needs adjusting")
    expect(rows.first).to_contain_text(f"{score['coverage_factor']:.2f}")
    shown = float(rows.first.locator("data.ang").first.get_attribute("value"))
    assert shown == pytest.approx(score["mean"], rel=1e-12)
    page.get_by_text("The same in other units").click()
    measures = page.get_by_role("table", name=re.compile("^Means"))
    expect(measures).to_contain_text("thou per foot")
    expect(measures).to_contain_text("Loose saw minus Steady saw")


def test_angles_change_unit_without_a_reload_and_stay_changed(server, shop, page, complaints):
    page.goto(f"{server.url}/compare?a={shop['steady']}&b={shop['loose']}")
    page.get_by_text("In numbers").first.click()
    first = page.get_by_role("table", name="In numbers").locator("tbody tr data.ang").first
    degrees = first.inner_text()
    assert degrees.endswith("°")
    page.get_by_text("Units", exact=True).click()
    page.get_by_label("Show angles in").select_option("arcmin")
    value = float(first.get_attribute("value"))
    expect(first).to_have_text(re.compile("′$"))
    assert float(first.inner_text().strip("+′")) == pytest.approx(60 * value, abs=0.05)
    expect(page.locator(".chart text.ang").first).to_have_text(re.compile("′$"))
    page.reload()
    page.get_by_text("In numbers").first.click()
    expect(first).to_have_text(re.compile("′$"))
    page.get_by_text("Units", exact=True).click()
    page.get_by_label("Show angles in").select_option("deg")
    expect(first).to_have_text(degrees)
    assert complaints == []


def test_before_and_after_are_asked_of_one_machine_whichever_comes_first(server, shop, page):
    page.goto(f"{server.url}/compare?a={shop['after']}&b={shop['before']}")
    between = page.locator("#return")
    expect(between).to_contain_text("swung and back")
    cards = between.locator(".finding")
    expect(cards.nth(0).locator(".who")).to_have_text("did not")
    # A swing is no adjustment: nothing can have helped.
    expect(cards).to_have_count(1)
    # The machine, which is that of both, is not named again.
    expect(page.locator("section:not(#return) .who").first).to_have_text(re.compile("^On "))


def test_whether_it_helped_is_asked_only_where_something_was_done(server, page):
    before = measured(server, "Adjusted saw", OUT)
    server.post("/api/setup-changes", {"machine": "Adjusted saw", "kind": "adjusted"})
    after = measured(server, "Adjusted saw", (0.05, 0.06, 0.04, 0.05, 0.05))
    page.goto(f"{server.url}/compare?a={before}&b={after}")
    # Nobody asks of a saw that was adjusted whether it stands as before.
    card = page.locator("#return .finding")
    expect(card).to_contain_text("Did it help that it was adjusted?")
    expect(card.locator(".who")).to_have_text("helped")
    expect(card).to_contain_text("nearer to nominal")
    again = measured(server, "Adjusted saw", (0.01, 0.02, 0.01, 0.02, 0.01))
    told = server.get(f"/api/compare/adjustment?before={after}&after={again}")
    assert told["answer"] == "nothing was changed"
    assert "Nothing is recorded between" in told["sentence"]


def test_a_machine_that_was_only_moved_and_cleaned_is_not_said_to_be_helped(server, page):
    before = measured(server, "Moved saw", OUT)
    for kind in ("moved", "cleaned"):
        server.post("/api/setup-changes", {"machine": "Moved saw", "kind": kind})
    after = measured(server, "Moved saw", (0.05, 0.06, 0.04, 0.05, 0.05))
    page.goto(f"{server.url}/compare?a={before}&b={after}")
    between = page.locator("#return")
    expect(between.locator(".finding")).to_have_count(1)
    expect(between).not_to_contain_text("help")
    expect(between).to_contain_text("no adjustment and no other blade is recorded")
    expect(between).to_contain_text("from nominal before")


def test_a_tolerance_is_not_called_what_the_person_accepts(server, page):
    before = measured(server, "Returning saw", OUT, tolerance_deg="0.4")
    after = measured(server, "Returning saw", OUT, tolerance_deg="0.4")
    page.goto(f"{server.url}/compare?a={before}&b={after}")
    card = page.locator("#return .finding").first
    expect(card.locator(".who")).to_have_text("came back")
    expect(card).to_contain_text("half the tolerance that was given with the series")
    expect(card).not_to_contain_text("that you accept")
    page.get_by_label("A shift that does not matter").fill("0,3")
    page.get_by_role("button", name="Ask again").click()
    expect(card).to_contain_text("that you accept")


def _chosen(page: Page) -> list[str]:
    return [page.locator(f"#choose-{which}").input_value() for which in "ab"]


def test_two_different_series_are_proposed_and_are_one_press_away(page, tmp_path, complaints):
    with serving(tmp_path / "shop") as alone:
        first = measured(alone, "Only saw", OUT)
        page.goto(f"{alone.url}/compare")
        expect(page.locator("[role=status]")).to_contain_text("nothing to compare it with yet")
        assert _chosen(page)[1] == ""
        between = measured(alone, "Only saw", OUT)
        page.goto(f"{alone.url}/compare")
        assert _chosen(page) == [first, between]
        alone.post("/api/setup-changes", {"machine": "Only saw", "kind": "adjusted"})
        measured(alone, "Only saw", LOOSE[:1])
        after = measured(alone, "Only saw", FINE)
        # Of one machine: the last series before its last change, and the latest.
        page.goto(f"{alone.url}/compare")
        assert _chosen(page) == [between, after]
        page.get_by_role("link", name="Only saw: did the change help?").click()
        expect(page.locator("#return .who")).to_have_text("helped")
        # The answer comes first; the lists are a tap away.
        expect(page.get_by_role("button", name="Compare", exact=True)).to_be_hidden()
        for path in (f"/series/{after}", "/machine/Only%20saw"):
            page.goto(alone.url + path)
            expect(page.get_by_role("link", name="Compare with the one before")).to_be_visible()
            page.get_by_role("link", name="Did the change help?").click()
            expect(page.locator("#return .who")).to_have_text("helped")

        other = measured(alone, "Other saw", LOOSE)
        page.goto(f"{alone.url}/compare")
        assert _chosen(page) == [other, after]
        expect(page.locator("#choose-a option:checked")).not_to_contain_text(":00")
        # Of several on one day the time tells which is which; none is offered twice.
        page.get_by_role("combobox", name="The first: machine").select_option("Only saw")
        assert page.locator("#choose-a").input_value() == after
        words = page.locator("#choose-a option").all_inner_texts()
        assert len(words) == 5
        assert all(re.search(r"\d{4}, \d\d:\d\d: Reversal, \d strip", each) for each in words[1:])
        assert _chosen(page)[1] != after
        expect(page.locator(f"#choose-b option[value='{after}']")).to_have_count(0)
        page.locator("#choose-a").select_option(first)
        page.locator("#choose-b").select_option(between)
        page.get_by_role("button", name="Compare", exact=True).click()
        expect(page.locator("section.quantity").first).to_be_visible()
        expect(page.locator("[role=alert]")).to_have_count(0)
    assert complaints == []


def test_the_same_series_twice_is_refused_and_a_running_one_is_compared_so_far(server, shop, page):
    page.goto(f"{server.url}/compare?a={shop['steady']}&b={shop['steady']}")
    told = "The second is the same series as the first: choose another one for it."
    expect(page.get_by_role("alert")).to_have_text(told)
    first, second = _chosen(page)
    assert first == shop["steady"]
    assert second not in ("", first)
    running = server.start_series(machine="Loose saw", bench="other")
    cut(server, (0.10, 0.31, 0.02), bench="other")
    page.goto(f"{server.url}/compare?a={shop['steady']}&b={running}")
    expect(page.locator("section.quantity").first).to_be_visible()
    told = "Loose saw is still running: this holds for its 3 strips so far, looked at once."
    expect(page.locator("[role=status]")).to_contain_text(told)
    page.get_by_text("Compare others").click()
    expect(page.locator("#choose-b option:checked")).to_contain_text("3 strips so far: still")
    server.post(f"/api/series/{running}/finish")
    page.reload()
    expect(page.locator("section.quantity").first).to_be_visible()
    expect(page.locator("main")).not_to_contain_text("still running")


def test_compare_with_another_leads_to_where_the_other_is_chosen(server, shop, page):
    page.goto(f"{server.url}/series/{shop['steady']}")
    with page.expect_response(re.compile("/compare")) as answer:
        page.get_by_role("link", name="Compare with another").click()
    assert answer.value.status == 200
    first, second = _chosen(page)
    assert first == shop["steady"]
    assert second not in ("", first)
    expect(page.locator("[role=status]")).to_contain_text("press Compare")
    page.get_by_role("button", name="Compare", exact=True).click()
    expect(page.locator("section.quantity").first).to_be_visible()


def test_a_shift_one_can_accept_is_asked_about_with_a_decimal_comma(server, shop, page):
    page.goto(f"{server.url}/compare?a={shop['before']}&b={shop['after']}")
    expect(page.locator("#return")).to_contain_text("say here what you can accept")
    page.get_by_label("A shift that does not matter").fill("0,2")
    page.get_by_role("button", name="Ask again").click()
    card = page.locator("#return .finding").first
    expect(card.locator(".who")).to_have_text("came back")
    expect(card).to_contain_text("Asked with 0.200°")
    page.get_by_label("A shift that does not matter").fill("much")
    page.get_by_role("button", name="Ask again").click()
    expect(page.get_by_role("alert")).to_contain_text("'much' is not a plain decimal number")
    expect(page.get_by_role("combobox", name="The first", exact=True)).to_have_value(shop["before"])


def test_series_that_reveal_different_things_are_refused_in_a_sentence(server, shop, page):
    page.goto(f"{server.url}/compare?a={shop['steady']}&b={shop['tilt']}")
    alert = page.get_by_role("alert")
    expect(alert).to_contain_text("The second: Reversal shows the angle")
    expect(alert).to_contain_text("choose series whose methods reveal the same")
    expect(page.get_by_role("combobox", name="The second", exact=True)).to_have_value(shop["tilt"])


@pytest.mark.parametrize("query", ["a=%3Cb%3E&b=7", "a={steady}&b={steady}", "a={steady}", "a=&b="])
def test_an_address_that_makes_no_sense_still_leads_to_the_lists(server, shop, page, query):
    page.goto(f"{server.url}/compare?{query.format(**shop)}")
    expect(page.get_by_role("button", name="Compare")).to_be_visible()
    expect(page.locator(".finding")).to_have_count(0)


def test_three_at_once_are_compared_pair_by_pair(server, shop, page):
    page.goto(
        f"{server.url}/compare?a={shop['steady']}&b={shop['loose']}&more={shop['before']}&more="
    )
    page.get_by_text("How it is known").first.click()
    pairs = page.get_by_role("table", name=re.compile("^Pair by pair"))
    expect(pairs.locator("tbody tr")).to_have_count(3)
    expect(page.locator(".chart polygon.dot")).to_have_count(10)


def test_a_name_that_is_long_or_looks_like_code_stays_a_name(server, shop, page, complaints):
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto(f"{server.url}/compare?a={shop['nasty']}&b={shop['loose']}")
    expect(page.locator(".answer")).to_contain_text("<script>document.title")
    assert page.title() == "Compare · bothends"
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert complaints == []


def test_axe_finds_nothing_serious_before_and_after_a_choice(server, shop, page, complaints):
    page.emulate_media(color_scheme="dark", reduced_motion="reduce")
    for query in ("", f"?a={shop['before']}&b={shop['after']}"):
        page.goto(f"{server.url}/compare{query}")
        for details in page.locator("main details").all():
            details.evaluate("element => { element.open = true; }")
        no_serious_axe_findings(page)
    assert complaints == []
