"""How the Bench page comes to a browser: its address, its files, its weight."""

from __future__ import annotations

from playwright.sync_api import expect


def test_a_bench_for_this_computer_alone_says_how_to_let_a_phone_in(bench):
    bench.open()
    bench.page.click("text=On a phone")
    expect(bench.page.locator(".phone")).to_contain_text("bothends serve --host 0.0.0.0")
    expect(bench.page.locator(".phone .invite")).to_have_count(0)


def test_the_page_is_light_on_the_wire(server, page):
    session = page.context.new_cdp_session(page)
    session.send("Network.enable")
    sizes: list[float] = []
    session.on("Network.loadingFinished", lambda e: sizes.append(e["encodedDataLength"]))
    page.goto(f"{server.url}/bench/light", wait_until="load")
    expect(page.locator("#sign-live")).to_have_text("live")
    assert 0 < sum(sizes) <= 60_000
    assert len(sizes) <= 14


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


def test_a_bench_may_have_any_name(server, page, complaints):
    page.goto(f"{server.url}/bench/Nordw%C3%A4nd%20%3Cb%3E%262")
    expect(page.locator("#bench-name")).to_have_text("Nordwänd <b>&2")
    expect(page.locator("#sign-live")).to_have_text("live")
    assert complaints == []
