"""The pages of machines as a person meets them: a real server, a real Chromium."""

from __future__ import annotations

import json
import math
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from urllib.parse import quote

import pytest
from playwright.sync_api import Page, expect

from analysis.rules import RULES
from tests.whole.browser import Keyboard, no_serious_axe_findings, us
from tests.whole.forked import serving
from tests.whole.serving import Serving
from tests.whole.shops import measured

OUT = (0.45, 0.44, 0.46, 0.45, 0.44)
FINE = (0.01, 0.00, -0.01, 0.01, 0.00)
NASTY = "<script>document.title='broken'</script>" + "very long name " * 10
ROLL = {"method": "roll", "thickness": "19"}


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Serving]:
    with serving(tmp_path_factory.mktemp("machines") / "shop") as running:
        yield running


@pytest.fixture(scope="module")
def shop(server: Serving) -> dict[str, str]:
    """Machines by a word; `out` was moved between its two series, `nasty` has a nasty name."""
    measured(server, "Window saw", FINE, tolerance_deg="0.03")
    note = {"machine": "Window saw", "kind": "moved", "note": "<b>by the window</b>"}
    server.post("/api/setup-changes", note)
    measured(server, "Window saw", OUT, tolerance_deg="0.03")
    measured(server, "Birch sled", FINE, tolerance_deg="0.03")
    measured(server, "Changed saw", FINE, tolerance_deg="0.03")
    server.post("/api/setup-changes", {"machine": "Changed saw", "kind": "blade changed"})
    # A roll reads four corners: two deviations make one.
    for side, lean in (("left", 0.40), ("right", 0.10)):
        measured(server, "Two halves", (0.0, lean + 0.01, 0.0, lean), strip_side=side, **ROLL)
    measured(server, NASTY, OUT)
    server.post("/api/machines", {"name": "New saw", "kind": "table saw"})
    ids = {m["name"]: m["id"] for m in server.get("/api/machines")}
    return {
        "out": ids["Window saw"],
        "fine": ids["Birch sled"],
        "changed": ids["Changed saw"],
        "halves": ids["Two halves"],
        "nasty": next(i for n, i in ids.items() if n.startswith("<script>")),
        "new": ids["New saw"],
    }


@pytest.fixture
def complaints(page: Page) -> Iterator[list[str]]:
    """What the browser complains of: errors, refused styles and scripts."""
    heard: list[str] = []
    page.on("pageerror", lambda error: heard.append(str(error)))
    page.on("console", lambda m: heard.append(m.text) if m.type in ("error", "warning") else None)
    yield heard
    assert heard == []


@pytest.fixture
def at(server: Serving, shop: dict[str, str], page: Page, complaints: list[str]):
    """Opens a machine's page, or what lies under it."""
    assert complaints == []

    def open_(word: str, more: str = "") -> Page:
        page.goto(f"{server.url}/machine/{shop[word]}{more}")
        return page

    return open_


def test_an_empty_shop_is_told_where_machines_come_from(page, tmp_path, complaints):
    with serving(tmp_path / "shop") as empty:
        page.goto(f"{empty.url}/machines")
        expect(page.locator("main")).to_contain_text("There is no machine yet")
        expect(page.get_by_role("link", name="set up a series on the Bench page")).to_be_visible()
    assert complaints == []


@pytest.mark.usefixtures("complaints")
def test_all_machines_tell_how_they_stand_and_how_old_that_is(server, shop, page):
    page.goto(f"{server.url}/")
    page.get_by_role("link", name="Machines").click()
    lines = page.locator(".machines > li")
    for name, words in (
        ("Window saw", ("needs adjusting", "leans to the right", "checked today")),
        ("Birch sled", ("good enough",)),
        ("Changed saw", ("not known now", "given another blade", "not measured again")),
        ("New saw", ("not checked yet",)),
    ):
        line = lines.filter(has=page.get_by_role("link", name=name, exact=True))
        for word in words:
            expect(line).to_contain_text(word)
    assert page.title() == "Machines · bothends"
    page.get_by_role("link", name="Window saw", exact=True).click()
    expect(page).to_have_url(f"{server.url}/machine/{shop['out']}")


@pytest.mark.usefixtures("complaints")
def test_what_new_rules_changed_is_listed_until_it_was_seen(page, tmp_path):
    data = tmp_path / "shop"
    with serving(data) as shop:
        series = measured(shop, "Window saw", FINE, tolerance_deg="0.03")
    verdict = {"series": series, "quantity": "angle", "trials": 5}
    verdict |= {"was": "good enough", "now": "cannot tell yet"}
    changed = {"compared": 3, "left": 0, "series": 1, "verdicts": [verdict]}
    with closing(sqlite3.connect(data / "bothends.sqlite")) as store, store:
        store.execute("DELETE FROM rules_said")
        store.execute(
            "INSERT INTO rules_said (id, rules, program, said_at, changed) VALUES (?, ?, ?, ?, ?)",
            ("0" * 32, RULES, "0.4.0", "2026-11-30 09:00:00.000000", json.dumps(changed)),
        )
    with serving(data) as shop:
        page.goto(f"{shop.url}/machines")
        told = page.get_by_role("region", name="1 series reads otherwise than before")
        expect(told).to_contain_text("“good enough” before, “cannot tell yet” now")
        expect(told.get_by_role("link")).to_have_attribute("href", f"/series/{series}")
        told.get_by_role("button", name="I have seen this").click()
        expect(told).to_have_count(0)
        page.reload()
        expect(page.locator(".machines")).to_be_visible()
        expect(told).to_have_count(0)


def test_how_it_stands_is_told_in_one_sentence_and_one_drawing(at, server, shop):
    page = at("out")
    stands = page.locator(".current-state")
    expect(stands).to_contain_text("needs adjusting")
    expect(stands).to_contain_text("The open end of the cut leans to the right")
    expect(stands).to_contain_text(re.compile(r"0\.064\d*° ± 0\.00\d+°"))
    expect(stands).to_contain_text("mm per 300 mm")
    expect(stands).to_contain_text("thou per foot")
    expect(stands).to_contain_text("ISO 14253-1")
    drawing = stands.get_by_role("img")
    expect(drawing).to_have_attribute("aria-label", re.compile("leans to the right; drawn .* far"))
    # The angle of the drawing is the angle found, as many times as it says.
    times = float(re.search(r"drawn (\d+) times", drawing.get_attribute("aria-label"))[1])
    path = drawing.locator("path.cut").get_attribute("d")
    x1, y1, x2, y2 = map(float, re.findall(r"[-\d.]+", path))
    found = server.get(f"/api/machines/{shop['out']}/history")["series"][-1]["quantities"]["angle"]
    slope = math.tan(math.radians(found["mean"]))
    assert (x2 - x1) / (y1 - y2) == pytest.approx(times * slope, rel=0.01)


@pytest.mark.usefixtures("complaints")
def test_a_change_recorded_on_the_page_ends_what_was_known(server, page):
    measured(server, "Attic saw", FINE, tolerance_deg="0.03")
    machine = next(m["id"] for m in server.get("/api/machines") if m["name"] == "Attic saw")
    page.goto(f"{server.url}/machine/{machine}")
    expect(page.locator(".current-state")).to_contain_text("good enough")
    page.get_by_label("The machine was").focus()
    # Struck with time stamps of their own: a list that is typed at forgets after a second.
    Keyboard(page).strike(us("given another"))
    page.keyboard.press("Tab")
    page.get_by_label("Note (optional)").fill("60 teeth")
    page.get_by_role("button", name="Record it").press("Enter")
    expect(page.locator(".current-state")).to_contain_text("not known now")
    expect(page.locator(".changes")).to_contain_text("blade changed")
    expect(page.locator(".changes")).to_contain_text("60 teeth")
    (change,) = server.get(f"/api/machines/{machine}/history")["setup_changes"]
    assert (change["kind"], change["note"]) == ("blade changed", "60 teeth")


@pytest.mark.usefixtures("complaints")
def test_a_change_of_the_past_is_recorded_at_its_own_moment(server, page):
    measured(server, "Cellar saw", FINE)
    machine = next(m["id"] for m in server.get("/api/machines") if m["name"] == "Cellar saw")
    page.goto(f"{server.url}/machine/{machine}")
    page.get_by_label("When (empty: now)").fill("2025-05-06T07:08")
    page.get_by_role("button", name="Record it").click()
    expect(page.locator(".changes")).to_contain_text("6 May 2025")
    expect(page.locator(".current-state")).not_to_contain_text("not known now")


def test_the_chart_shows_phases_and_says_the_same_in_a_table(at):
    page = at("out")
    chart = page.get_by_role("img", name="Reversal: angle of the cut")
    expect(chart.locator(".change")).to_have_count(1)
    expect(chart.locator(".bars")).to_have_count(1)
    page.get_by_text("The phases in numbers").click()
    rows = page.get_by_role("region", name="Phases: Reversal: angle of the cut").locator("tbody tr")
    expect(rows).to_have_count(2)
    expect(rows.nth(1)).to_contain_text("change 1")
    expect(page.locator(".changes")).to_contain_text("<b>by the window</b>")


def test_what_to_move_follows_what_is_said_of_the_fence_and_is_remembered(at, server, shop):
    page = at("out")
    answer = page.locator("#adjust-answer")
    expect(answer).to_contain_text("Unplug the machine before you adjust it")
    expect(answer).to_contain_text("counter-clockwise")
    page.get_by_label("From the pivot to the point").fill("600")
    page.get_by_label("Its screw moves").fill("1,25")
    told = server.get(f"/api/machines/{shop['out']}/advice?span=600&pitch=1.25")["advice"][0]
    expect(answer).to_contain_text("Move the right end of the fence away from the board by")
    expect(answer).to_contain_text(f"{told['move']['turns']:.2f} turns of the screw")
    expect(answer.get_by_role("img")).to_have_attribute(
        "aria-label", re.compile("right end moves away from the board")
    )
    page.get_by_role("radio", name="right end").check()
    expect(answer).to_contain_text("Move the left end of the fence toward the board by")
    page.reload()
    expect(page.get_by_label("From the pivot to the point")).to_have_value("600")
    expect(answer).to_contain_text("Move the left end of the fence toward the board by")
    page.get_by_label("From the pivot to the point").fill("far")
    expect(answer).to_contain_text("is not a plain decimal number")


def test_without_scripts_the_questions_are_answered_all_the_same(server, shop, browser):
    page = browser.new_context(java_script_enabled=False).new_page()
    page.goto(f"{server.url}/machine/{shop['out']}")
    page.get_by_label("From the pivot to the point").fill("600")
    page.locator("#adjust-form").get_by_role("button").click()
    expect(page.locator("#adjust-answer")).to_contain_text("Move the right end of the fence")
    page.context.close()


def test_a_machine_within_its_tolerance_is_left_alone(at):
    answer = at("fine").locator("#adjust-answer")
    expect(answer).to_contain_text(re.compile("Leave the angle|may stay as it is"))
    expect(answer.locator(".todo")).not_to_be_visible()


def test_what_the_error_does_to_the_work_is_told_both_ways(at):
    page = at("out")
    answer = page.locator("#work-answer")
    expect(answer).to_contain_text("A joint 150 mm long stands 0.16")
    page.get_by_label("Largest gap that you accept").fill("0.1")
    expect(answer).to_contain_text("A gap of 0.1 mm over a joint 150 mm long allows 0.0382 degrees")
    expect(answer).to_contain_text("± included, is outside that")
    page.get_by_label("Width of a case").fill("400")
    expect(answer).to_contain_text("Is needed with width")
    page.get_by_label("Height of the case").fill("700")
    expect(answer).to_contain_text("The diagonals of a case 400 mm by 700 mm differ by")


def test_the_two_halves_of_a_fence_are_told_apart(at):
    page = at("halves")
    expect(page.locator("main")).to_contain_text("The two halves of the fence are")
    expect(page.get_by_role("link", name="roll, board left")).to_be_visible()
    for half in ("left", "right"):
        name = f"Roll: angle of the cut, {half} half of the fence"
        expect(page.get_by_role("img", name=name)).to_be_visible()


def test_numbers_are_shown_in_the_units_chosen(at):
    page = at("out")
    page.locator("summary", has_text="Units").click()
    page.get_by_label("Show angles in").select_option("arc minutes")
    expect(page.locator(".current-state .sentence")).to_contain_text("3.85′ ± 0.24′")
    page.get_by_label("Show lengths in").select_option("thou (0.001 in)")
    page.get_by_label("From the pivot to the point").fill("600")
    expect(page.locator("#adjust-answer")).to_contain_text(re.compile(r"by 26\.\d+ thou ±"))


def test_a_new_machine_is_told_what_comes_first(at):
    page = at("new")
    expect(page.locator(".current-state")).to_contain_text("Not checked yet")
    expect(page.locator("#history")).to_contain_text("No check yet")
    expect(page.locator("#mend")).to_have_count(0)


def test_a_name_of_markup_and_great_length_breaks_nothing(at, page):
    for more in ("", "/card", "/mend"):
        at("nasty", more)
        assert "broken" not in page.title().removesuffix(" · bothends")[:6]
        expect(page.get_by_text("<script>document").first).to_be_visible()
        for width in (390, 1280):
            page.set_viewport_size({"width": width, "height": 844})
            assert page.evaluate("document.documentElement.scrollWidth") <= width, (more, width)


def test_no_such_machine_says_where_the_others_are(server, page):
    answer = page.goto(f"{server.url}/machine/{quote('<i>nowhere')}")
    assert answer is not None
    assert answer.status == 404
    expect(page.locator("main")).to_contain_text("There is no machine <i>nowhere")


def test_the_card_says_what_a_card_must_and_prints_on_one_page(at):
    page = at("out", "/card")
    for words in (
        "Window saw", "needs adjusting", "leans to the right", "Measured", "Tolerance",
        "0.03 degrees", "Next check", "adjust it, then measure it again", "JCGM 100",
        "ISO 14253-1",
    ):  # fmt: skip
        expect(page.locator(".paper")).to_contain_text(words)
    for word in ("out", "nasty", "changed", "new", "halves"):
        at(word, "/card")
        for paper in ("A4", "Letter", "A5"):
            pdf = page.pdf(format=paper, print_background=True)
            pages = len(re.findall(rb"/Type\s*/Page\b", pdf))
            assert pages == 1, (word, paper, pages)
    page.emulate_media(media="print")
    expect(page.get_by_role("button", name="Print this card")).not_to_be_visible()


def test_a_card_of_a_machine_that_was_changed_claims_nothing(at):
    page = at("changed", "/card")
    expect(page.locator(".big-verdict")).to_have_text("not known now")
    expect(page.locator(".paper")).to_contain_text("Now: it was changed since it was measured.")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_serious_stands_in_the_way_of_anyone(at, server, page, scheme):
    page.emulate_media(color_scheme=scheme)
    for word, more in (
        ("out", ""), ("out", "/card"), ("out", "/mend?span=600"), ("halves", ""), ("new", ""),
        ("changed", ""),
    ):  # fmt: skip
        at(word, more)
        no_serious_axe_findings(page)
    for path in ("/machines", "/work?angle_deg=0.06&u_deg=0.01&joint=150&gap=0.1"):
        page.goto(f"{server.url}{path}")
        no_serious_axe_findings(page)
