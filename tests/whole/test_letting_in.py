"""How a phone is let in by a code, what it sees when its access ends, and who lets it."""

from __future__ import annotations

import os
import re
import signal
import socket
import struct
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
import zxingcpp
from playwright.sync_api import Browser, Page, expect

from api.addresses import lan_host
from tests.api.web.pages.pictures import pixels_of_code
from tests.ptys import until
from tests.whole.browser import TOO_WIDE, no_serious_axe_findings
from tests.whole.forked import serving
from tests.whole.serving import Serving


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Serving, str]]:
    """A server on the network, and its address there: who comes to that is another computer."""
    host = lan_host()
    if host is None:
        pytest.skip("this computer is on no network")
    data = tmp_path_factory.mktemp("doors") / "data"
    with serving(data, "--host", "0.0.0.0") as server:
        yield server, f"http://{host}:{server.port}"


@contextmanager
def another_device(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 390, "height": 844})
    yield context.new_page()
    context.close()


def _looks_right(page: Page) -> None:
    assert page.evaluate(TOO_WIDE) == []
    no_serious_axe_findings(page)


_INVITES = """fetch("/api/access/invitations", {
    method: "POST", headers: { "Content-Type": "application/json" }, body: "{}",
}).then((answer) => answer.text())"""


def _invite(page: Page) -> str:
    """The address that a code on this page says."""
    page.click("text=/Show (a|another) code/")
    expect(page.locator(".scan svg")).to_be_visible()
    return page.locator(".invite .address").inner_text()


def _live_at(page: Page, bench: str) -> None:
    expect(page.locator("#sign-live")).to_have_text("live")
    expect(page.locator("#bench-name")).to_have_text(bench)


def test_who_hangs_up_before_being_looked_at_is_nobody(shop: tuple[Serving, str]) -> None:
    """The system tells no address of such a connection, and its request is still there."""
    server, there = shop
    host = there.removeprefix("http://")
    name, _, port = host.rpartition(":")
    body = b'{"name": "Nobody\'s saw", "kind": "table saw"}'
    head = f"POST /api/machines HTTP/1.1\r\nHost: {host}\r\nContent-Type: application/json\r\n"
    request = f"{head}Content-Length: {len(body)}\r\n\r\n".encode() + body
    os.kill(server.process.pid, signal.SIGSTOP)
    try:
        for _ in range(5):
            with socket.create_connection((name.strip("[]"), int(port))) as made:
                made.sendall(request)
                # Closed by a reset.
                made.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    finally:
        os.kill(server.process.pid, signal.SIGCONT)
    server.start_series("Pear saw", bench="by the door")  # what came later is done
    assert "Nobody's saw" not in [each["name"] for each in server.get("/api/machines")]


def test_one_scan_lets_a_phone_in_and_what_it_typed_outlasts_its_access(
    shop: tuple[Serving, str], page: Page, browser: Browser
) -> None:
    server, there = shop
    series = server.start_series("Pear saw", bench="by the window")
    with another_device(browser) as phone:
        # Nobody is let in who has no code, and sees nothing of the shop.
        answer = phone.goto(f"{there}/machines")
        assert answer is not None
        assert answer.status == 401
        assert "Pear saw" not in phone.content()
        expect(phone.locator("#code")).to_be_visible()
        _looks_right(phone)
        phone.fill("#code", "abc")
        phone.press("#code", "Enter")
        expect(phone.locator("#code-wrong")).to_contain_text("3 have been typed")
        phone.fill("#code", "abcde-12345")
        phone.press("#code", "Enter")
        expect(phone.locator("#said")).to_contain_text("This code opens nothing")

        # One scan, and it is at the bench; the code is in no address and in no history.
        page.goto(f"{server.url}/bench/by%20the%20window")
        page.click("text=On a phone")
        address = _invite(page)
        assert address.startswith(f"{there}/bench/by%20the%20window#join=")
        (read,) = zxingcpp.read_barcodes(pixels_of_code(page.locator(".scan").inner_html()))
        assert read.text == address
        expect(page.locator(".holds")).to_contain_text(re.compile("holds for (10 min|9 min 5)"))
        _looks_right(page)
        phone.goto(address)
        _live_at(phone, "by the window")
        assert "#" not in phone.url
        phone.go_back()
        phone.wait_for_url(f"{there}/machines")
        expect(phone.locator("main")).to_contain_text("Pear saw")

        # A browser leaves its cookie out where another site sends it here.
        phone.goto(f"{server.url}/help")
        phone.evaluate("(to) => { location.href = to; }", f"{there}/bench/by%20the%20window")
        _live_at(phone, "by the window")

        # Its access is ended while the page is open, and with it the code that it made.
        assert "#join=" in phone.evaluate(_INVITES)
        page.goto(f"{server.url}/access")
        ends = page.locator("#passes button")
        expect(ends).to_have_count(1)
        expect(page.locator("#invitations")).to_contain_text("Made by Linux computer, until")
        _looks_right(page)
        ends.click()
        expect(ends).to_contain_text("Really end the access of Linux computer?")
        ends.click()
        expect(page.locator("#passes")).to_have_text("Nobody is let in yet.")
        expect(page.locator("#waiting")).to_be_hidden()
        phone.click("#type")
        phone.fill("#typed-value", "12.34")
        phone.press("#typed-value", "Enter")
        expect(phone.locator(".shut-out")).to_contain_text("not let in any more")
        expect(phone.locator("#sign-live")).to_have_text("not let in")
        expect(phone.locator("#sign-queue")).to_contain_text("1 kept in this browser")
        _looks_right(phone)

        # Let in again by a code that is typed, it sends what it kept.
        phone.click(".shut-out button")
        phone.fill("#code", _invite(page).rpartition("=")[2].lower().replace("-", " "))
        phone.click("#let-in")
        _live_at(phone, "by the window")
        assert until(lambda: server.trials(series) == [["12.34"]])

        # It is out by its own doing.
        phone.goto(f"{there}/access")
        phone.click("#leave")
        phone.click("#leave")
        expect(phone.locator("#code")).to_be_visible()


def test_a_device_that_may_only_look_changes_nothing_and_is_told_why(
    shop: tuple[Serving, str], browser: Browser
) -> None:
    server, there = shop
    series = server.start_series("Plum saw", bench="wall")
    said = {"may": "read", "name": "screen on the wall", "opens": "wall"}
    with another_device(browser) as screen:
        screen.goto(server.post("/api/access/invitations", said)["address"])
        _live_at(screen, "wall")
        expect(screen.locator("body")).to_contain_text("This device may only look")
        screen.click("#finish")
        expect(screen.locator("#notice")).to_contain_text("creen on the wall may read here")
        screen.click("#type")
        screen.fill("#typed-value", "12.34")
        screen.press("#typed-value", "Enter")
        # Kept, since it may be let in for more; only a person discards it.
        expect(screen.locator("#aside")).to_contain_text("12.34")
        found = server.get(f"/api/series/{series}")
        assert (found["finished_at"], found["trials"]) == (None, [])
        screen.goto(f"{there}/bench/shelf")
        screen.click("text=On a phone")
        expect(screen.locator(".phone")).to_contain_text("may not let others in")
        screen.goto(f"{there}/access")
        expect(screen.locator("#content")).to_contain_text("screen on the wall may look")
        _looks_right(screen)
