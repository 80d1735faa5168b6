"""The Instruments page as a person with a new caliper meets it: a real server and Chromium."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any
from uuid import uuid4

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from capture.pretend import PtyPort
from tests.ptys import plugged, until
from tests.whole.browser import ENTER, HeldBack, Keyboard, no_serious_axe_findings, us
from tests.whole.serving import Serving

SHOWN = "12.34"


@pytest.fixture
def opened(server: Serving, page: Page) -> Iterator[Page]:
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.goto(f"{server.url}/instruments")
    yield page
    assert not errors


def begin(page: Page, port: PtyPort) -> None:
    """From the button to the port being listened to."""
    page.locator("#leave-alone summary").click()
    page.get_by_label("Also listen at").fill(port.target)
    page.get_by_role("button", name="Identify it by its send button").click()
    expect(page.locator("#ports")).to_contain_text(f"{port.target}: listening")


def find(server: Serving, page: Page, port: PtyPort) -> None:
    """From the search under way to the caliper that was found at its port."""

    def listens() -> bool:
        ports = server.get("/api/identify")["ports"]
        return any(p["device"] == port.target and "listening" in p["words"] for p in ports)

    assert until(listens)  # what is sent before a port is open is lost
    page.get_by_label("What does its display show?").fill(SHOWN)
    page.keyboard.press("Enter")
    port.send(b"12.34\r\n")
    expect(page.locator("#found-title")).to_be_visible()


def press(server: Serving, caliper: str, *sent: str, bench: str = "main") -> None:
    """Readings as different moments bring them."""
    readings = [
        {
            "id": str(uuid4()),
            "bench": bench,
            "caliper": caliper,
            "sent": each,
            "unit": "mm",
            "taken_at": datetime(2026, 3, 2, 12, minute, tzinfo=UTC).isoformat(),
        }
        for minute, each in enumerate(sent)
    ]
    server.post("/api/readings", readings)


def names(server: Serving) -> dict[str, Any]:
    return {c["name"]: c["state"] for c in server.get("/api/health")["calipers"]}


# ---------------------------------------------------------------- identifying


def test_a_person_with_no_manual_gets_from_the_plug_to_the_first_reading(server, opened, port):
    page = opened
    begin(page, port)
    expect(page.get_by_label("What does its display show?")).to_be_focused()
    port.send(b"12.34\r\n")
    expect(page.locator("#progress")).to_contain_text("Type what the display shows")
    page.get_by_label("What does its display show?").fill(SHOWN)
    page.keyboard.press("Enter")
    expect(page.locator("#found-title")).to_have_text("Found it: 12.34")
    expect(page.locator("#found-sentence")).to_contain_text("9600 baud")
    page.get_by_label("What do you call it?").fill("six inch")
    page.get_by_role("button", name="Listen to it from now on").first.click()
    expect(page.locator("#first-title")).to_contain_text("Press send once more")
    assert until(lambda: names(server).get("six inch") == "listening")
    port.send(b"12.35\r\n")
    expect(page.locator("#first-title")).to_have_text("six inch works.")
    expect(page.locator("#first-heard")).to_contain_text("12.35 mm")
    # And it is in the list of calipers without a reload.
    card = page.locator(".caliper", has_text="six inch")
    expect(card).to_contain_text("Listening.")
    page.get_by_role("link", name="To the Bench page").last.click()
    expect(page).to_have_url(f"{server.url}/")


def test_a_wrong_number_is_said_and_the_right_one_still_counts(opened, port):
    page = opened
    begin(page, port)
    field = page.get_by_label("What does its display show?")
    field.fill("twelve")
    page.get_by_role("button", name="That is what it shows").click()
    expect(page.locator("#shown-wrong")).to_contain_text("twelve")
    field.fill("99")
    page.keyboard.press("Enter")
    port.send(b"12.34\r\n")
    expect(page.locator("#progress")).to_contain_text("but not 99 mm")
    field.fill("12,34")
    page.keyboard.press("Enter")
    expect(page.locator("#found-title")).to_be_visible()


@pytest.mark.parametrize("where", ["in the field", "anywhere"])
def test_a_caliper_that_types_like_a_keyboard_is_told_that_nothing_is_to_be_set_up(
    opened, port, where
):
    page = opened
    begin(page, port)
    if where == "anywhere":
        page.get_by_role("button", name="Stop").focus()
    Keyboard(page).caliper(SHOWN)
    expect(page.locator("#found-sentence")).to_contain_text("nothing to set up")
    expect(page.get_by_role("link", name="To the Bench page").first).to_be_visible()
    expect(page.locator("#listen-form")).to_be_hidden()


def test_a_caliper_whose_burst_was_cut_in_two_by_a_stall_is_found_all_the_same(opened, port):
    page = opened
    begin(page, port)
    look = HeldBack(page, "**/api/identify/keep", "POST")
    part = HeldBack(page, "**/api/identify/keys", "POST")
    keyboard = Keyboard(page)
    assert look.route
    # Its time stamps tell that the rest was struck right behind.
    at = keyboard.strike(us("12.3"))
    assert part.answered()["state"] == "identified"
    with page.expect_response("**/api/identify/keys") as late:
        keyboard.strike([*us("4"), ENTER], at=at)
    assert late.value.status == 409
    assert [s["key"] for s in late.value.request.post_data_json["strokes"]] == [*"12.34", "Enter"]
    part.let_go()
    expect(page.locator("#found-sentence")).to_contain_text("nothing to set up")
    expect(page.locator("#notice")).to_be_hidden()
    look.let_go()


def test_stopping_releases_the_port_and_starts_again(server, opened, port):
    page = opened
    begin(page, port)
    page.get_by_role("button", name="Stop", exact=True).click()
    expect(page.get_by_role("button", name="Identify it by its send button")).to_be_focused()
    assert until(lambda: server.get("/api/identify")["state"] == "none")


def test_an_answer_about_a_search_that_was_stopped_does_not_end_the_next(server, opened, port):
    page = opened
    begin(page, port)
    look = HeldBack(page, "**/api/identify/keep", "POST")
    assert look.route
    page.get_by_role("button", name="Stop", exact=True).click()
    assert until(lambda: server.get("/api/identify")["state"] == "none")
    assert look.answered()["state"] == "none"
    page.get_by_role("button", name="Identify it by its send button").click()
    expect(page.locator("#step-press")).to_be_visible()
    look.let_go()
    expect(page.locator("#step-over")).to_be_hidden()
    find(server, page, port)


def test_a_stop_that_is_long_on_its_way_does_not_end_the_next_search(server, opened, port):
    page = opened
    begin(page, port)
    stop = HeldBack(page, "**/api/identify", "DELETE")
    page.get_by_role("button", name="Stop", exact=True).click()
    assert stop.route
    page.get_by_role("button", name="Identify it by its send button").click()
    with page.expect_response(lambda r: r.request.method == "POST"):
        stop.let_go()
    find(server, page, port)


def test_a_page_that_is_reloaded_in_the_middle_goes_on_where_it_was(server, opened, port):
    page = opened
    begin(page, port)
    page.reload()
    expect(page.locator("#ports")).to_contain_text(port.target)
    find(server, page, port)


def test_everything_can_be_done_with_the_keyboard_alone(server, opened, port):
    page = opened
    page.locator("#leave-alone summary").press("Enter")
    page.get_by_label("Also listen at").fill(port.target)
    page.keyboard.press("Tab")
    expect(page.get_by_role("button", name="Identify it by its send button")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("#ports")).to_contain_text("listening")
    page.keyboard.type(SHOWN, delay=180)
    page.keyboard.press("Enter")
    port.send(b"12.34\r\n")
    expect(page.get_by_label("What do you call it?")).to_be_focused()
    page.keyboard.type("keyed", delay=180)
    page.keyboard.press("Enter")
    expect(page.locator("#first-title")).to_contain_text("Now listening to keyed")
    assert until(lambda: "keyed" in names(server))


# ---------------------------------------------------------------- the state of each


def test_a_caliper_pulled_out_is_said_and_found_again(server, opened, tmp_path):
    with plugged(tmp_path / "link") as port:
        server.post("/api/calipers", {"spec": f"serial:{port.target},name=pulled"})
        card = opened.locator(".caliper", has_text="pulled")
        expect(card).to_contain_text("Listening.")
        port.unplug()
        expect(card).to_contain_text("Unplugged.")
        expect(opened.locator("#announcement")).to_contain_text("pulled: Unplugged.")
        port.plug()
        expect(card).to_contain_text("Listening.")


def test_to_stop_listening_asks_once_and_what_was_measured_stays(server, opened, port):
    server.post("/api/calipers", {"spec": f"serial:{port.target},name=gone"})
    press(server, "gone", "12.30")
    card = opened.locator(".caliper", has_text="gone")
    card.get_by_role("button", name="Stop listening").click()
    assert "gone" in names(server)
    card.get_by_role("button", name="Really stop").click()
    expect(card).to_contain_text("Not listened to now.")
    expect(card).to_contain_text("1 reading kept.")
    assert "gone" not in names(server)


def test_what_a_person_types_stays_while_the_page_keeps_itself_up_to_date(opened):
    page = opened
    page.get_by_text("For one that was not found").click()
    page.get_by_label("Description of its port").fill("serial:")
    with page.expect_response("**/instruments/now"):
        pass
    page.get_by_role("button", name="Listen to it from now on").last.click()
    expect(page.locator("#describe-wrong")).to_contain_text("needs a target")
    expect(page.get_by_label("Description of its port")).to_have_value("serial:")


# ---------------------------------------------------------------- studies


def study(server: Serving, caliper: str, bench: str, *sent: str, **body: Any) -> None:
    server.post(f"/api/calipers/{caliper}/studies", {"bench": bench, "instead": True, **body})
    press(server, caliper, *sent, bench=bench)


def test_studies_stand_in_a_chart_and_a_table_in_the_units_of_choice(server, page):
    name = "studied"
    press(server, name, "12.3", bench="north")
    study(server, name, "north", "12.30", "12.31", "12.32", method="same-spot", person="Ada")
    study(server, name, "north", "12.40", "12.41", "12.42", method="same-spot", person="Bo")
    study(server, name, "north", "25.01", "25.02", method="known-block", block="25")
    study(server, name, "north", "75.03", "75.02", method="known-block", block="75")
    page.goto(f"{server.url}/calipers/{name}")
    page.get_by_text("How it is known").last.click()
    spots = page.get_by_role("table", name="Same-spot studies")
    expect(spots.locator("tbody tr")).to_have_count(1)
    expect(spots).to_contain_text("Ada, Bo")
    expect(spots).to_contain_text("0.010 mm (0.006 mm to 0.029 mm)")
    expect(page.get_by_role("img", name="Repeatability, study by study")).to_be_visible()
    expect(page.get_by_role("img", name="Readings of known blocks")).to_be_visible()
    page.get_by_label("Tolerance, end to end").fill("0,5")
    page.get_by_role("button", name="Show the share").click()
    expect(page.get_by_role("table", name="Same-spot studies")).to_contain_text(
        re.compile(r"\d+ %")
    )
    page.evaluate("localStorage.setItem('bothends units', '{\"length\": \"thou\"}')")
    page.reload()
    expect(page.get_by_role("table", name="Same-spot studies")).to_contain_text("thou")
    no_serious_axe_findings(page)


def test_a_tolerance_that_is_no_number_is_said_at_its_field(server, page):
    press(server, "odd", "12.3", bench="odd")
    study(server, "odd", "odd", "12.30", "12.31", method="same-spot")
    page.goto(f"{server.url}/calipers/odd?tolerance=wide")
    expect(page.locator("#tolerance-wrong")).to_contain_text("wide")
    expect(page.get_by_label("Tolerance, end to end")).to_have_value("wide")


def test_a_study_begins_from_the_page_and_the_bench_waits_for_presses(server, page):
    press(server, "fresh", "12.3", bench="west")
    page.goto(f"{server.url}/calipers/fresh")
    expect(page.get_by_text("Not known yet. Press 10 times")).to_be_visible()
    page.locator("#spot-person").fill("Ada")
    page.locator("[data-begin=same-spot] button.main").click()
    expect(page).to_have_url(f"{server.url}/bench/west")
    expect(page.locator("#measuring-title")).to_contain_text("Same spot")
    assert server.get("/api/benches/west")["series"]["person"] == "Ada"


def test_a_series_that_runs_is_ended_only_when_the_person_says_so(server, page):
    press(server, "late", "12.3", bench="east")
    running = server.start_series(machine="Saw of east", bench="east")
    page.goto(f"{server.url}/calipers/late")
    page.locator("#block-size").fill("25,4")
    form = page.locator("[data-begin=known-block]")
    form.locator("button.main").click()
    expect(form.locator(".wrong")).to_contain_text("Saw of east")
    assert server.get(f"/api/series/{running}")["finished_at"] is None
    form.get_by_role("button", name="End that series and begin").click()
    expect(page).to_have_url(f"{server.url}/bench/east")
    assert server.get("/api/benches/east")["series"]["baseline"] == "25,4"


def test_what_was_said_of_a_caliper_is_corrected_and_undone(server, page):
    press(server, "dep", "12.30", "12.31", "12.32", "12.33")
    press(server, "depth gauge", "12.30")
    changed = page.locator(".trail li")
    page.goto(f"{server.url}/calipers/dep")
    page.get_by_text("Correct what was said").click()
    page.fill("#correct-name", "depth gauge")
    page.fill("#who", "Ines")
    page.once("dialog", lambda dialog: dialog.dismiss())
    page.click("#correct-form [type=submit]")
    page.once("dialog", lambda dialog: dialog.accept())
    page.click("#correct-form [type=submit]")
    page.wait_for_url("**/calipers/depth%20gauge")
    expect(page.locator("main")).to_contain_text("5 readings kept")
    expect(changed.first).to_contain_text("Name: dep → depth gauge")
    expect(changed.first).to_contain_text("Ines")
    page.locator("#undo").get_by_role("button").click()
    page.wait_for_url("**/calipers/dep")
    expect(page.locator("main")).to_contain_text("4 readings kept")
    page.fill("#jaw-width", "3")
    page.select_option("#readings-unit", "in")
    page.click("#jaws-form [type=submit]")
    expect(changed.first).to_contain_text("Width of the jaws, in mm: none → 3")
    expect(changed.first).to_contain_text("A number without a unit counts: none → in")
    page.get_by_text("How often it is checked").click()
    page.fill("#check-days", "often")
    page.click("#checks-form [type=submit]")
    expect(page.locator("#checks-form .status")).to_have_text(
        "Check it every … days: must be a whole number"
    )
    page.fill("#check-days", "30")
    page.fill("#certificate", "block 25 mm, K 1432")
    page.click("#checks-form [type=submit]")
    expect(changed.first).to_contain_text("Days between series: none → 30")
    expect(changed.first).to_contain_text("Certificate: none → block 25 mm, K 1432")
    page.get_by_text("Correct what was said").click()
    page.get_by_role("button", name="Retire it").click()
    expect(page.locator("main")).to_contain_text("it is in no list any more")
    page.goto(f"{server.url}/instruments")
    expect(page.locator(".calipers")).to_contain_text("depth gauge")
    page.get_by_text("Retired calipers (1)").click()
    page.get_by_role("link", name="dep", exact=True).click()
    page.get_by_role("button", name="Bring it back").click()
    expect(changed.first).to_contain_text("Brought back")


def test_a_renamed_caliper_is_told_under_its_name_and_stopped_by_it(server, page, port):
    """Another bench's caliper is heard under the name that it has now."""
    server.post("/api/calipers", {"spec": f"serial:{port.target},name=deep", "bench": "side"})
    server.calipers_listen()
    press(server, "deep", "12.30", bench="side")
    press(server, "shallow", "12.30")
    page.goto(f"{server.url}/bench/side")
    expect(page.locator("#calipers")).to_contain_text("deep: listening")
    server.client.patch("/api/calipers/shallow", json={"name": "old one"})
    server.client.patch("/api/calipers/deep", json={"name": "shallow"})
    expect(page.locator("#calipers")).to_have_text("shallow: listening")
    health = {c["heard_as"]: c["name"] for c in server.get("/api/health")["calipers"]}
    assert health["deep"] == "shallow"
    page.goto(f"{server.url}/instruments")
    card = page.locator(".caliper", has=page.get_by_role("link", name="shallow", exact=True))
    card.get_by_role("button", name="Stop listening").click()
    card.get_by_role("button", name="Really stop listening to shallow").click()
    expect(card).to_contain_text("Not listened to now.")
    assert "shallow" not in names(server)


def test_an_unknown_caliper_has_a_page_that_says_so(server, page):
    answer = page.goto(f"{server.url}/calipers/nobody")
    assert answer.status == 404
    expect(page.locator("main")).to_contain_text("nobody")


# ---------------------------------------------------------------- for everybody


@pytest.mark.parametrize(("scheme", "width"), [("light", 390), ("dark", 1280)])
def test_it_is_within_reach_of_everybody(server, context: BrowserContext, port, scheme, width):
    page = context.new_page()
    page.emulate_media(color_scheme=scheme)
    page.set_viewport_size({"width": width, "height": 844})
    name = f"<script>{width}{scheme}</script>" + "w" * 160
    press(server, name, "12.3", bench="axe")
    page.goto(f"{server.url}/instruments")
    no_serious_axe_findings(page)
    begin(page, port)
    no_serious_axe_findings(page)
    find(server, page, port)
    no_serious_axe_findings(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.goto(f"{server.url}/calipers/{name.replace('/', '%2F')}")
    expect(page.locator("h1")).to_contain_text(name)
    no_serious_axe_findings(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_a_caliper_that_types_is_taken_only_where_its_box_is_ticked(opened):
    """No such device is plugged in, so one is put into the list as the server would."""
    opened.locator("#leave-alone summary").click()
    expect(opened.locator("#listen-to")).to_be_hidden()
    opened.evaluate(
        """() => {
          const item = document.createElement("li");
          item.className = "found";
          Object.assign(item.dataset, {
            kind: "keys", ready: "yes", device: "/dev/input/event99", likely: "Gauge: A: it types",
            called: "Gauge: A",
          });
          document.querySelector("main").append(item);
        }"""
    )
    # The page's own script, not the same one from another address a second time.
    script = opened.locator("script[src$='/instruments/page.js']").get_attribute("src")
    opened.evaluate("(own) => import(own).then((page) => page.offerListenTo())", script)
    expect(opened.locator("#listen-to")).to_contain_text("types into no window")
    opened.get_by_label("/dev/input/event99: Gauge: A", exact=True).check()
    with opened.expect_request("**/api/identify") as asked:
        opened.get_by_role("button", name="Identify it by its send button").click()
    assert asked.value.post_data_json["listen_to"] == ["/dev/input/event99"]
    # And the server says in a sentence why it does not take it.
    expect(opened.locator("body")).to_contain_text("/dev/input/event99 is no port here")
