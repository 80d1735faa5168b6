"""A bench of its own for a test of the Bench page, and what a person sees and does there."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any
from uuid import uuid4

import pytest
from playwright.sync_api import Page, expect

from tests.ptys import until
from tests.whole.browser import Keyboard
from tests.whole.serving import Serving


class Bench:
    """A bench of its own on the shared server: its page, and the server's side of it."""

    def __init__(
        self, server: Serving, page: Page, name: str, complaints: list[str] | None = None
    ) -> None:
        self.complaints = [] if complaints is None else complaints
        self.server = server
        self.page = page
        self.name = name
        self.keyboard = Keyboard(page)

    def open(self) -> None:
        self.page.goto(f"{self.server.url}/bench/{self.name}")
        expect(self.page.locator("#sign-live")).to_have_text("live")

    def start(self, **settings: Any) -> str:
        return self.server.start_series(machine=f"Saw of {self.name}", bench=self.name, **settings)

    def press(self, sent: str, caliper: str = "caliper", unit: str = "mm", **more: Any) -> None:
        reading = {
            "id": str(uuid4()),
            "bench": self.name,
            "caliper": caliper,
            "sent": sent,
            "unit": unit,
            "taken_at": datetime.now(UTC).isoformat(),
        }
        self.server.post("/api/readings", [reading | more])

    def readings(self, series: str) -> list[str]:
        found = self.server.get(f"/api/series/{series}")["trials"]
        return [r["sent"] for t in found for r in t["readings"]]

    def holds(self, series: str, trials: list[list[str]]) -> None:
        assert until(lambda: self.server.trials(series) == trials)

    def shows(self, value: str) -> None:
        expect(self.page.locator("#value")).to_have_text(re.compile(rf"^{re.escape(value)}(mm|in)"))

    def state(self, text: str) -> None:
        expect(self.page.locator("#state")).to_contain_text(text)

    def next(self, text: str) -> None:
        expect(self.page.locator("#next")).to_contain_text(text)

    def type_by_hand(self) -> None:
        """Open the field for typed values."""
        self.page.click("#type")
        expect(self.page.locator("#typed-value")).to_be_focused()

    @property
    def sounded(self) -> str | None:
        return self.page.evaluate("document.documentElement.dataset.sounded ?? null")


@pytest.fixture
def complaints(page: Page) -> list[str]:
    """What the browser complains of: errors, refused styles and scripts, failed requests."""
    heard: list[str] = []
    page.on("pageerror", lambda error: heard.append(str(error)))
    page.on("console", lambda m: heard.append(m.text) if m.type in ("error", "warning") else None)
    return heard


@pytest.fixture
def bench(
    server: Serving, page: Page, complaints: list[str], request: pytest.FixtureRequest
) -> Iterator[Bench]:
    name = re.sub(r"\W+", "-", request.node.name)[:80]
    at = Bench(server, page, name, complaints)
    yield at
    assert complaints == []


def forgive(complaints: list[str]) -> None:
    """Requests that failed because the test wanted it."""
    complaints[:] = [c for c in complaints if "Failed to load resource" not in c]


def new_machine(page: Page) -> None:
    """Choose a machine that is not there yet, and wait for what is proposed for it."""
    page.select_option("#machine", "")
    expect(page.locator("#setup")).to_have_attribute("aria-busy", "false")


def fill_in(page: Page, machine: str) -> None:
    """What the form has to know, of a machine that is new."""
    new_machine(page)
    page.fill("#machine-name", machine)
    page.fill("#machine-kind", "radial arm saw")
    page.check("[name=work][value=own]")
    page.check("[name=method][value=reversal]")
    page.check("[name=unit][value=mm]")
    page.fill("#baseline", "203,86")
