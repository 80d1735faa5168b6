"""The Plan page as a person meets it: a real server, a real Chromium."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Page, expect

from tests.whole.forked import serving
from tests.whole.serving import Serving
from tests.whole.shops import measured


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Serving]:
    with serving(tmp_path_factory.mktemp("plan") / "shop") as running:
        measured(running, "Loose saw", (0.10, 0.31, 0.02, 0.24, 0.17))
        yield running


@pytest.fixture
def complaints(page: Page) -> list[str]:
    heard: list[str] = []
    page.on("pageerror", lambda error: heard.append(str(error)))
    page.on("console", lambda m: heard.append(m.text) if m.type in ("error", "warning") else None)
    return heard


def ask(page: Page) -> None:
    page.get_by_role("button", name="What does it take?").click()


def test_the_page_answers_the_usual_question_at_once(server, page, complaints):
    page.goto(f"{server.url}/compare")
    page.get_by_role("link", name="Plan").click()
    said = server.get("/api/plan?error_deg=0.05")
    expect(page.locator("#answer")).to_have_text(said["sentences"][0])
    expect(page.locator(".sentences li")).to_have_text(said["sentences"][1:])
    expect(page.locator(".chart .curve")).to_have_count(len(said["table"]["widths_mm"]))
    expect(page.locator(".chart .curve.asked")).to_have_count(1)
    page.get_by_text("How it is known").click()
    table = page.get_by_role("table", name="The smallest error that is seen")
    expect(table.locator("tbody tr")).to_have_count(len(said["table"]["widths_mm"]))
    shown = float(table.locator("td.here data").get_attribute("value"))
    assert shown == pytest.approx(said["seen_deg"], rel=1e-12)
    assert complaints == []


def test_a_question_in_the_persons_own_words_gets_its_answer(server, page, complaints):
    page.goto(f"{server.url}/plan")
    page.get_by_label("A gap over a joint’s length").check()
    expect(page.get_by_label("An error of, in degrees")).to_be_hidden()
    page.get_by_label("A gap of").fill("0,004")
    page.get_by_label("over a joint this long").fill("6")
    page.get_by_role("textbox", name="Width of the board").fill("5.5")
    page.get_by_label("Lengths are in").select_option("in")
    page.get_by_label("Strips you would make").fill("3")
    ask(page)
    said = server.get("/api/plan?gap=0.004&joint=6&width=5.5&unit=in&cuts=3")
    expect(page.locator("#answer")).to_have_text(said["sentences"][0])
    expect(page.locator("#answer")).to_contain_text("5.5 in wide")
    expect(page.get_by_label("A gap of")).to_have_value("0,004")
    expect(page.get_by_label("A gap over a joint’s length")).to_be_checked()
    assert complaints == []


def test_a_machine_that_scatters_takes_more_cuts_than_a_perfect_one(server, page):
    page.goto(f"{server.url}/plan?error_deg=0.02")
    perfect = page.locator("#answer").inner_text()
    page.get_by_label("How steady is the machine?").select_option(label=option(page, "Loose saw"))
    ask(page)
    expect(page.locator("#answer")).not_to_have_text(perfect)
    expect(page.locator("main")).to_contain_text("The machine’s own scatter is taken as")


def option(page: Page, words: str) -> str:
    return page.locator("#steady option", has_text=words).inner_text()


@pytest.mark.parametrize(
    ("field", "text", "words"),
    [
        ("An error of, in degrees", "a lot", "The error: 'a lot' is not a plain decimal number"),
        ("Strips you would make", "1", "How many you would make: must be a whole number"),
        ("Width of the board", "-3", "Width: -3 mm must be greater than zero"),
    ],
)
def test_what_cannot_be_is_said_and_what_was_typed_is_kept(server, page, field, text, words):
    page.goto(f"{server.url}/plan")
    page.get_by_role("textbox", name=field).fill(text)
    ask(page)
    expect(page.get_by_role("alert")).to_contain_text(words)
    expect(page.get_by_role("textbox", name=field)).to_have_value(text)
    expect(page.locator("#answer")).to_have_count(0)


@pytest.mark.parametrize(
    "query", ["method=guess", "unit=furlong", "series=7", "alpha=2", "cuts=" + "9" * 200, "by=x"]
)
def test_an_address_that_makes_no_sense_still_shows_the_questions(server, page, query):
    page.goto(f"{server.url}/plan?{query}")
    expect(page.get_by_role("button", name="What does it take?")).to_be_visible()
    expect(page.locator("main")).not_to_contain_text("Internal Server Error")


@pytest.mark.parametrize(
    "method",
    ["half-turn", "roll", "five-cut", "blade-to-slot", "planed-thickness", "closing-miters"],
)
def test_every_method_that_shows_an_angle_can_be_planned(server, page, method, complaints):
    page.goto(f"{server.url}/plan?method={method}")
    expect(page.locator("#answer")).to_be_visible()
    expect(page.locator(".chart")).to_be_visible()
    assert complaints == []
