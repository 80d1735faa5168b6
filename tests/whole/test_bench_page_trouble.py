"""The Bench page when a caliper, the server or the link to it is away."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import BrowserContext, expect

from tests.ptys import plugged, until
from tests.whole.at_the_bench import Bench, forgive
from tests.whole.browser import HeldBack, intercept, wait_for
from tests.whole.forked import serving

NOTHING_TO_TAKE_BACK = "There is no reading in this series to take back."


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


def test_presses_while_the_server_is_away_arrive_later_in_order(page, tmp_path):
    with serving(tmp_path / "shop") as server:
        series = server.start_series()
        at = Bench(server, page, "main")
        at.open()
        port = server.port
        server.kill()
        expect(page.locator("#sign-live")).to_have_text("no connection to the server")
        expect(page.locator("#notice")).to_contain_text("Not connected to the server")
        assert at.sounded == "not connected"
        for width in ("13.21", "13.25", "13.30"):
            at.keyboard.caliper(width)
        at.state("kept here, not sent yet")
        assert at.sounded == "kept beside"
        expect(page.locator("#sign-queue")).to_contain_text("3 kept in this browser")
        # A wrong one is taken back before the server has heard of it.
        at.keyboard.caliper("13.99")
        page.click("#take-back")
        at.state("taken back here")
        expect(page.locator("#value")).to_contain_text("13.99")
        assert at.sounded == "taken back"
        kept = page.evaluate("Object.entries(localStorage).filter(([key]) => /outbox/.test(key))")
        assert sum("strokes" in entry for _, entry in kept) == 4
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
        expect(page.locator("#notice")).to_contain_text("Came meanwhile: 13.25 mm, 13.30 mm.")
        at.press("13.40")
        expect(page.locator("#notice")).to_be_hidden()
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

    intercept(page, trips, answer)
    bench.type_by_hand()
    for value in ("12.34", "12.41"):
        page.fill("#typed-value", value)
        page.press("#typed-value", "Enter")
    # It does not block the others.
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
    intercept(page, "**/keys", lambda route: route.fulfill(status=404, json={"status": 404}))
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
    intercept(page, "**/keys", lambda route: route.fulfill(status=404, json={"status": 404}))
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
    intercept(page, "**/keys", lambda route: route.fulfill(status=404, json={"status": 404}))
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
    expect(page.locator("#sign-live")).to_contain_text("no connection to the server")
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
    expect(page.locator("#sign-live")).to_have_text("no connection to the server")
    expect(page.locator("#notice")).to_contain_text("at the server what it hears while it runs")
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
    expect(page.locator("#figure")).to_contain_text("7 strips")
    assert asked == []  # the live link alone brought it


def test_what_is_said_of_a_tap_stays_until_the_next_press(bench):
    """News of the bench, here a correction of the series, does not take it away."""
    series = bench.start()
    bench.open()
    bench.page.click("#take-back")
    expect(bench.page.locator("#notice")).to_have_text(NOTHING_TO_TAKE_BACK)
    patched = bench.server.client.patch(f"/api/series/{series}", json={"unit": "in"})
    assert patched.is_success, patched.text
    bench.state("the series was corrected")
    expect(bench.page.locator("#notice")).to_have_text(NOTHING_TO_TAKE_BACK)
    bench.press("13.21")
    bench.next("open end")
    expect(bench.page.locator("#notice")).to_be_hidden()
