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
from playwright.sync_api import Page, Route, expect

from analysis.rules import RULES
from tests.whole.browser import Keyboard, intercept, no_serious_axe_findings, us
from tests.whole.forked import serving
from tests.whole.serving import Serving
from tests.whole.shops import cut, measured

OUT = (0.45, 0.44, 0.46, 0.45, 0.44)
FINE = (0.01, 0.00, -0.01, 0.01, 0.00)
NASTY = "<script>document.title='broken'</script>" + "very long name " * 10
ROLL = {"method": "roll", "thickness": "19"}


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Serving]:
    data = tmp_path_factory.mktemp("machines") / "shop"
    with serving(data, "--allow-host", "saw.example") as running:
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
    lines = page.locator(".urgent > li")
    for name, words in (
        ("Window saw", ("needs adjusting", "leans to the right", "Checked today")),
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


def test_of_many_machines_one_is_found_and_measured(page, tmp_path):
    with serving(tmp_path / "shop") as many:
        for number in range(1, 13):
            many.post("/api/machines", {"name": f"Saw {number:02}", "kind": "table saw"})
        sled = many.post("/api/machines", {"name": "Birch sled", "kind": "sled"})
        page.goto(f"{many.url}/machines")
        shown = page.locator(".urgent > li:visible")
        find = page.get_by_label("Find a machine")
        find.press_sequentially("saw 1")
        expect(shown).to_have_count(4)
        expect(page.get_by_role("status").filter(has_text="4 of 13 machines")).to_be_visible()
        find.fill("band saw")
        expect(page.locator("#none-found")).to_be_visible()
        find.press("Escape")
        expect(shown).to_have_count(13)

        new = page.locator("#new-machine")
        new.get_by_label("Its name").fill("birch SLED")
        new.get_by_role("button").click()
        expect(new.get_by_label("Kind of machine")).to_have_attribute("aria-invalid", "true")
        new.get_by_label("Kind of machine").fill("sled")
        new.get_by_role("button").click()
        expect(page.locator("#new-name-wrong")).to_contain_text("already, so none was added")
        expect(new.get_by_label("Its name")).to_be_focused()
        assert len(many.get("/api/machines")) == 13

        shown.get_by_role("link", name="Measure it: Birch sled").click()
        expect(page.locator("#machine")).to_have_value(sled["id"])
        page.goto(f"{many.url}/machines")
        find.fill("birch")
        expect(shown).to_have_count(1)
        # What came meanwhile is there when the page is looked at again, and the search still holds.
        many.post("/api/machines", {"name": "Birch table", "kind": "table saw"})
        page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
        expect(shown).to_have_count(2)
        find.fill("birch sled")
        find.press("Enter")
        expect(page).to_have_url(f"{many.url}/machine/{sled['id']}")


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
        expect(page.locator(".urgent")).to_be_visible()
        expect(told).to_have_count(0)


def test_how_it_stands_is_told_in_one_sentence_and_one_drawing(at, server, shop):
    page = at("out")
    stands = page.locator(".current-state")
    expect(stands).to_contain_text("needs adjusting")
    expect(stands).to_contain_text("The open end of the cut leans to the right")
    expect(stands).to_contain_text(re.compile(r"0\.064\d*° ± 0\.00\d+°"))
    expect(stands).to_contain_text("mm per 300 mm")
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


def test_it_says_by_itself_whether_the_last_change_helped_and_what_to_do(server, page, complaints):
    measured(server, "Told saw", OUT, tolerance_deg="0.03")
    machine = next(m["id"] for m in server.get("/api/machines") if m["name"] == "Told saw")
    page.goto(f"{server.url}/machine/{machine}")
    page.locator("#mend").get_by_role("button", name="I did it: measure again").click()
    page.wait_for_url(f"{server.url}/")
    cut(server, FINE)
    page.goto(f"{server.url}/machine/{machine}")
    expect(page.get_by_role("link", name="Go on measuring it")).to_have_attribute("href", "/")
    series = server.get("/api/benches/main")["series"]["id"]
    server.post(f"/api/series/{series}/finish")
    page.reload()
    stands = page.locator(".current-state")
    expect(stands).to_contain_text("good enough")
    expect(stands.locator(".since [data-answer=helped]")).to_contain_text(
        re.compile("It helped: .*nearer to nominal.* Now off by 0.00", re.DOTALL)
    )
    expect(page.locator("#adjust-answer")).to_be_hidden()
    page.locator("#mend summary").first.click()
    # What is open is remembered a moment after it is.
    page.wait_for_function("Object.values(history.state?.folds ?? {}).includes(true)")
    page.reload()
    expect(page.locator("#adjust-answer")).to_be_visible()
    page.get_by_role("button", name="Measure this again").click()
    page.wait_for_url(f"{server.url}/")
    again = server.get("/api/benches/main")["series"]
    assert (again["machine"]["id"], again["id"] != series) == (machine, True)
    assert len(server.get(f"/api/machines/{machine}/history")["setup_changes"]) == 1
    server.post(f"/api/series/{again['id']}/finish")
    assert complaints == []


def test_a_change_of_the_past_is_recorded_at_its_own_moment(server, page, complaints):
    measured(server, "Cellar saw", FINE)
    machine = next(m["id"] for m in server.get("/api/machines") if m["name"] == "Cellar saw")
    page.goto(f"{server.url}/machine/{machine}")
    page.get_by_label("When (empty: now)").fill("2025-05-06T07:08")
    page.get_by_role("button", name="Record it").click()
    expect(page.locator(".changes")).to_contain_text("6 May 2025")
    expect(page.locator(".current-state")).not_to_contain_text("not known now")
    # A series of another machine is in the way at the bench: a link leads to it.
    other = server.start_series("Saw in the way")
    page.get_by_role("button", name="Measure this again").first.click()
    way_on = page.locator(".again .status").get_by_role("link", name="Go on with it")
    expect(way_on.first).to_have_attribute("href", "/")
    assert [c for c in complaints if "409" not in c] == []
    complaints.clear()
    server.post(f"/api/series/{other}/finish")


def test_the_chart_shows_phases_and_says_the_same_in_a_table(at):
    page = at("out")
    page.locator("#history summary").first.click()
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
    page.locator("#work summary").click()
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
    expect(page.locator("main")).to_contain_text("of the fence are")
    expect(page.get_by_role("link", name="roll, board left")).to_be_visible()
    page.locator(".more-lines > summary").click()
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
    expect(page.locator("#history")).to_contain_text("No series yet")
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


def test_the_card_says_what_a_card_must_and_prints_on_one_page_of_its_size(at, server, page):
    # As it is asked for by another device: with its code.
    def from_elsewhere(route: Route) -> None:
        path = route.request.url.removeprefix(server.url)
        answer = server.client.get(path, headers={"Host": "saw.example"})
        route.fulfill(body=answer.text, content_type="text/html")

    intercept(page, re.compile(r"/card(\?|$)"), from_elsewhere)
    page = at("out", "/card")
    for words in (
        "Window saw", "needs adjusting", "leans to the right", "Measured", "Tolerance",
        "0.03 degrees", "Check again", "adjust it, then measure it again", "JCGM 100",
        "ISO 14253-1", "not permission to work unsafely",
    ):  # fmt: skip
        expect(page.locator(".paper")).to_contain_text(words)
    page.emulate_media(media="print")
    expect(page.get_by_role("button", name="Print this card")).not_to_be_visible()
    for word in ("nasty", "changed", "new", "halves", "out"):
        for paper, wide, high in (("a7", 105, 74), ("card", 85, 54)):
            at(word, f"/card?paper={paper}")
            expect(page.locator(".code svg")).to_be_visible()
            assert page.locator(".paper").evaluate("e => e.scrollHeight - e.clientHeight") <= 0
            pdf = page.pdf(prefer_css_page_size=True, print_background=True)
            assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1, (word, paper)
            box = re.search(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", pdf)
            assert box is not None
            size = [float(points) / 72 * 25.4 for points in box.groups()]
            assert size == pytest.approx([wide, high], abs=0.2), word
    # Where the paper can't be chosen, it is one sheet too.
    for paper in ("A4", "Letter"):
        pdf = page.pdf(format=paper, print_background=True)
        assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1, paper


def test_a_card_of_a_machine_that_was_changed_claims_nothing(at):
    page = at("changed", "/card")
    expect(page.locator(".big-verdict")).to_have_text("not known now")
    expect(page.locator(".paper")).to_contain_text(
        "Check again now: it was changed since it was measured"
    )


def test_nothing_serious_stands_in_the_way_of_anyone(at, page):
    page.emulate_media(color_scheme="dark")
    for word in ("halves", "new", "changed"):
        at(word)
        page.evaluate(
            "document.querySelectorAll('main details').forEach((e) => { e.open = true; })"
        )
        no_serious_axe_findings(page)


@pytest.mark.usefixtures("complaints")
def test_what_was_said_of_a_machine_is_corrected_on_a_phone_and_undone(server, page):
    measured(server, "Slip saw", FINE, tolerance_deg="0.03")
    measured(server, "Slipp saw", FINE, tolerance_deg="0.03")
    ids = {m["name"]: m["id"] for m in server.get("/api/machines")}
    slip, twin = ids["Slip saw"], ids["Slipp saw"]
    changed, undo = page.locator(".trail li"), page.locator("#undo")
    page.set_viewport_size({"width": 390, "height": 844})
    # What a program did just now is listed, and nobody at this page is asked to undo it.
    other = server.post("/api/machines", {"name": "Slap saw", "kind": "other"})["id"]
    server.post("/api/setup-changes", {"machine": other, "kind": "moved"})
    page.goto(f"{server.url}/machine/{other}")
    expect(page.locator("[data-seconds]")).to_have_count(1)
    expect(undo).to_be_hidden()
    page.goto(f"{server.url}/machine/{slip}")
    # Recorded by mistake: withdrawn by the button that stands there for a minute.
    page.get_by_role("button", name="Record it").click()
    expect(undo).to_contain_text("“adjusted” recorded")
    undo.get_by_role("button").click()
    expect(changed.first).to_contain_text("Setup change “adjusted” of")
    expect(changed.first).to_contain_text("withdrawn")
    expect(page.locator("#setup-changes")).to_contain_text("Recorded by mistake (1)")
    expect(page.locator(".current-state")).to_contain_text("good enough")
    # It did happen, on another day.
    undo.get_by_role("button").click()
    expect(changed.nth(1)).to_contain_text("(undone)")
    page.get_by_text("Correct it: adjusted").click()
    page.locator("[data-change] [name=at]").fill("2025-05-06T10:00")
    page.locator("[data-change] [type=submit]").click()
    expect(page.locator("ol.changes")).to_contain_text("6 May 2025")
    # A machine that was named twice.
    page.goto(f"{server.url}/machine/{twin}")
    page.get_by_text("Correct its name, kind and note").click()
    page.get_by_role("link", name="the same machine as another one").click()
    page.select_option("#into", label="Slip saw")
    page.get_by_role("button", name="Show what moves").click()
    expect(page.locator("main")).to_contain_text("1 series with 5 strips")
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.fill("#who", "Ines")
    page.get_by_role("button", name="Make them one machine").click()
    page.wait_for_url(f"**/machine/{slip}")
    expect(page.locator("table.series tbody tr")).to_have_count(2)
    expect(changed.first).to_contain_text("Slipp saw merged into this machine")
    expect(changed.first).to_contain_text("Ines")
    # The name of the one that was merged into it is free for it.
    page.get_by_text("Correct its name, kind and note").click()
    page.fill("#correct-name", "Slipp saw")
    page.click("#correct-form [type=submit]")
    expect(page.locator("h1")).to_have_text("Slipp saw")
    undo.get_by_role("button").click()
    expect(page.locator("h1")).to_have_text("Slip saw")
    changed.filter(has_text="merged").get_by_role("button").click()
    expect(page.locator("table.series tbody tr")).to_have_count(1)
    page.get_by_role("button", name="Retire it").click()
    expect(page.locator("header")).to_contain_text("it is in no list any more")
    page.goto(f"{server.url}/machines")
    expect(page.locator(".urgent")).not_to_contain_text("Slip saw")
    page.get_by_text("Retired machines (1)").click()
    page.get_by_role("link", name="Slip saw").click()
    page.get_by_role("button", name="Bring it back").click()
    expect(changed.first).to_contain_text("Brought back")
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
