"""What tests do at a page: strike keys as fast as a caliper or as slowly as a person."""

from __future__ import annotations

import asyncio
import re
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import APIResponse, BrowserContext, ConsoleMessage, Page, Route

from tests.ptys import until

# The shell is Chromium without the windows around a page, and half the cost to run.
_SHELL: Final = Path("/usr/bin/chromium-headless-shell")
CHROMIUM: Final = _SHELL if _SHELL.exists() else Path("/usr/bin/chromium")
FLAGS: Final = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
)
SHIFT: Final = 8  # the devtools protocol's modifier bit
WIDTHS: Final = (320, 390, 1280)
"""Of a small phone, a phone and a laptop, in CSS pixels."""
TOO_WIDE: Final = """(() => {
  const { scrollWidth, clientWidth } = document.documentElement;
  if (scrollWidth <= clientWidth) return [];
  const beyond = [...document.querySelectorAll('body *')].filter((element) =>
    element.checkVisibility() && !element.closest('.table-box, .unseen')
    && element.getBoundingClientRect().right > clientWidth);
  const over = scrollWidth - clientWidth;
  return [`the page by ${over}`, ...beyond.map((e) => e.outerHTML.slice(0, 70))];
})()"""
"""What makes a page scroll sideways; nothing where it does not."""

WORDS_OVER_WORDS: Final = """(() => {
  const found = [];
  for (const chart of document.querySelectorAll('svg.chart')) {
    const words = [...chart.querySelectorAll('text')]
      .filter((text) => text.checkVisibility())
      .map((text) => ({ words: text.textContent, box: text.getBoundingClientRect() }));
    for (const [i, { words: one, box: a }] of words.entries())
      for (const { words: other, box: b } of words.slice(i + 1))
        if (a.left < b.right - 2 && b.left < a.right - 2
            && a.top < b.bottom - 4 && b.top < a.bottom - 4) found.push(`${one} over ${other}`);
  }
  return found;
})()"""
"""Which words of a chart stand over others of it; a line's box is higher than its letters."""

Key = tuple[str, str]
"""What a key says and where it sits: `key` and `code` of a keyboard event."""

ENTER: Final[Key] = ("Enter", "Enter")
KEYPAD_ENTER: Final[Key] = ("Enter", "NumpadEnter")
TAB: Final[Key] = ("Tab", "Tab")
DOWN: Final[Key] = ("ArrowDown", "ArrowDown")

_US_CODES: Final = {".": "Period", ",": "Comma", "-": "Minus", " ": "Space", "/": "Slash"}


def us(text: str) -> list[Key]:
    """The keys of a US keyboard that type `text` (digits, marks, small letters)."""
    return [
        (c, _US_CODES.get(c) or (f"Digit{c}" if c.isdigit() else f"Key{c.upper()}")) for c in text
    ]


class Keyboard:
    """Real key events whose time stamps are given: a slow machine can't make a fast
    caliper look like a person, nor the other way round."""

    def __init__(self, page: Page) -> None:
        self._session = page.context.new_cdp_session(page)

    def strike(
        self,
        keys: Sequence[Key],
        *,
        gap_ms: float = 12,
        repeat: bool = False,
        at: float | None = None,
    ) -> float:
        """Press and release each key, the next one `gap_ms` after it. Gives the stamp of one more.

        `at`: the first key's stamp, seconds since 1970; now where it is not given.
        All are on their way before the first is handled, as from a real keyboard: a page that
        waited for each would see a caliper fall silent in the middle.
        """
        now = time.time() if at is None else at
        events: list[dict[str, Any]] = []
        for number, (key, code) in enumerate(keys):
            text = "\r" if key == "Enter" else key if len(key) == 1 else ""
            event = {"key": key, "code": code, "timestamp": now + number * gap_ms / 1000}
            virtual = {"Enter": 13, "Tab": 9, " ": 32, "ArrowDown": 40}.get(key, 0)
            down = {**event, "type": "keyDown", "windowsVirtualKeyCode": virtual}
            if text:
                down |= {"text": text, "unmodifiedText": text}
            events.append(down)
            if repeat:
                events.append({**down, "autoRepeat": True})
            events.append({**event, "type": "keyUp", "windowsVirtualKeyCode": virtual})
        # Not by the public call, which waits for each answer: seven keys then came over 18 to 44 ms
        # instead of 9 to 31, and a test's process held up between two keys parts the value.
        asked = self._session._impl_obj

        async def strike() -> None:
            await asyncio.gather(
                *(asked.send("Input.dispatchKeyEvent", each, timeout=None) for each in events)
            )

        self._session._sync(strike())
        return now + len(keys) * gap_ms / 1000

    def caliper(self, text: str, end: Key = ENTER) -> None:
        """What a caliper that types like a keyboard sends at one press."""
        self.strike([*us(text), end])

    def person(self, text: str, *, enter: bool = True) -> None:
        """The same by hand."""
        self.strike([*us(text), ENTER] if enter else us(text), gap_ms=180)


def intercept(page: Page, address: str, handler: Callable[[Route], object]) -> None:
    """`page.route`, in effect: a page that is open may for a moment still ask by the old way, which
    leads past it."""
    page.route(address, handler)
    if page.url.startswith("http"):
        page.route(re.compile("asked-by-the-new-way$"), lambda route: route.fulfill(status=204))
        there = "fetch('/api/health?asked-by-the-new-way').then(answer => answer.status === 204)"
        assert until(lambda: page.evaluate(there))


class HeldBack:
    """The first request of its kind from now on, held back on its way; those after it pass, while
    the page is spoken to.

    A slow network's doing: what was asked first may be answered last.
    """

    def __init__(self, page: Page, address: str, method: str = "GET") -> None:
        self._page = page
        self._method = method
        self._route: Route | None = None
        self._answer: APIResponse | None = None
        intercept(page, address, self._take)

    def _take(self, route: Route) -> None:
        if self._route is None and route.request.method == self._method:
            self._route = route
        else:
            route.fallback()

    @property
    def route(self) -> Route:
        """Once the page has asked. Requests are handled only while the page is spoken to."""
        assert until(lambda: self._page.evaluate("1") and self._route)
        assert self._route is not None
        return self._route

    def answered(self) -> Any:
        """What the server answers to it now; the page hears of it at `let_go`."""
        self._answer = self.route.fetch()
        return self._answer.json() if self._answer.ok else None

    def let_go(self, **instead: Any) -> None:
        """Hand the answer over, or what `instead` says, until the page has it."""
        route = self.route
        with self._page.expect_event("requestfinished", lambda r: r == route.request):
            if instead:
                route.fulfill(**instead)
            elif self._answer is not None:
                route.fulfill(response=self._answer)
            else:
                route.continue_()
        # The tasks that the answer brought come before this one.
        self._page.evaluate("new Promise(done => setTimeout(() => setTimeout(done)))")


class Policed:
    """What pages tried that their security policy forbids, and a browser told of on its console."""

    def __init__(self) -> None:
        self.refused: list[str] = []

    def watch(self, context: BrowserContext) -> BrowserContext:
        context.on("console", self._hear)
        return context

    def _hear(self, said: ConsoleMessage) -> None:
        if said.type == "error" and "Security Policy" in said.text:
            self.refused.append(f"{said.page and said.page.url}: {said.text}")


def wait_for(page: Page, condition: str) -> None:
    """Playwright's own wait_for_function needs an eval that the page forbids."""
    assert until(lambda: page.evaluate(condition)), condition


def no_serious_axe_findings(page: Page, *rules: str) -> None:
    """axe-core finds nothing serious or critical on the page as it is now, WCAG 2.2 AA.

    rules: the names of those that are asked alone, where the others were or do not matter.
    """
    levels = {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa"]}
    asked = {"type": "rule", "values": list(rules)} if rules else levels
    # What passes need not be told node by node: a megabyte for all of the help.
    options = {"runOnly": asked, "resultTypes": ["violations"]}
    found = Axe().run(page, options=options).response["violations"]
    grave = [
        (v["id"], v["help"], [node["html"] for node in v["nodes"]])
        for v in found
        if v["impact"] in ("serious", "critical")
    ]
    assert not grave, grave
