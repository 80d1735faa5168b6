"""Draws the Bench page for people to look at: `python -m tests.whole.screenshot`.

Starts the demo shop, presses its pretend caliper, and writes the manual's picture to
fixtures/bench.png and each view of the page, on a phone and on a laptop, light and dark,
to screenshots/.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Final

from playwright.sync_api import Page, expect, sync_playwright

from tests.whole.browser import CHROMIUM, FLAGS, Keyboard, intercept
from tests.whole.serving import serving

ROOT: Final = Path(__file__).parents[2]
SIZES: Final = {"phone": (390, 844), "laptop": (1280, 800)}
STRIPS: Final = 4


def press(page: Page, times: int) -> None:
    """Press the pretend caliper's send button, waiting for each answer."""
    for _ in range(times):
        page.wait_for_timeout(300)  # two equal widths faster than this are a bounce
        before = page.inner_text("#next")
        page.click("#press")
        expect(page.locator("#next")).not_to_have_text(before, use_inner_text=True)


def views(page: Page, url: str, folder: Path, name: str) -> None:
    """Every view of the page, from the first strip to the next series."""

    def keep(view: str, *, whole: bool = False) -> None:
        page.wait_for_timeout(600)  # the flash of a new state fades
        page.evaluate("scrollTo(0, 0)")
        page.screenshot(path=folder / f"{name}-{view}.png", full_page=whole)

    page.goto(url)
    expect(page.locator("#measuring")).to_be_visible()
    expect(page.locator("#sign-live")).to_have_text("live")
    keep("waiting")
    page.click("#sign-live")
    press(page, 1)
    keep("kept")
    press(page, 1)
    keep("complete")
    press(page, 2)
    keep("score", whole=True)
    Keyboard(page).caliper("12.3.4")
    expect(page.locator("#state")).to_contain_text("not understood")
    keep("not-understood")
    page.click("#take-back")
    expect(page.locator("#state")).to_contain_text("taken back")
    keep("taken-back")
    page.click("text=Settings")
    keep("settings")
    page.click("text=Settings")
    page.click("text=On a phone")
    page.click("text=Show a code")
    keep("code")
    page.click("text=On a phone")
    page.click("#finish")
    keep("finished")
    page.click("#again")
    keep("set-up", whole=True)
    page.fill("#baseline", "184")
    page.check("[name=work][value=own]")
    page.check("[name=tolerance][value=gap]")
    page.fill("#tolerance-gap", "0,1")
    page.fill("#tolerance-joint", "150")
    page.click("#show-guide")
    expect(page.locator("#guide")).to_be_visible()
    keep("guide", whole=True)
    page.click("#start")
    expect(page.locator("#measuring")).to_be_visible()
    aside(page)
    keep("set-aside")
    page.click("#finish")
    page.click("#again")
    page.reload()
    expect(page.locator("#as-last")).to_be_visible()
    keep("as-last")
    page.click("#as-last button")
    page.click("#start")
    expect(page.locator("#measuring")).to_be_visible()


def aside(page: Page) -> None:
    """An entry that the server could not take."""
    intercept(
        page, "**/keys", lambda route: route.fulfill(status=404, json={"detail": "Not there."})
    )
    Keyboard(page).caliper("12.34")
    expect(page.locator("#aside")).to_be_visible()
    page.unroute("**/keys")


def main() -> None:
    folder = ROOT / "screenshots"
    folder.mkdir(exist_ok=True)
    with (
        tempfile.TemporaryDirectory() as data,
        serving(Path(data) / "shop", "--pretend", "--host", "0.0.0.0") as server,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=list(FLAGS))
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        page.goto(server.url)
        page.click("#sign-live")
        press(page, 2 * STRIPS + 1)
        page.wait_for_timeout(600)
        page.screenshot(path=ROOT / "fixtures" / "bench.png")
        for device, (width, height) in SIZES.items():
            for scheme in ("light", "dark"):
                page = browser.new_page(
                    viewport={"width": width, "height": height},
                    color_scheme="dark" if scheme == "dark" else "light",
                )
                views(page, server.url, folder, f"{device}-{scheme}")
                page.close()
        browser.close()


if __name__ == "__main__":
    main()
