"""What the pages work out themselves, tried in the browser that does it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page

from api.web.pages.shared.static import STATIC_ADDRESS
from tests.whole.serving import Serving

# Python follows the same cases: tests/analysis/test_sentences.py.
DIGITS = json.loads(
    (Path(__file__).parents[2] / "fixtures/numbers/digits.json").read_text(encoding="utf-8")
)["cases"]


@pytest.fixture
def evaluate(shared: Serving, page: Page) -> Any:
    """Calls a function of (module, argument) with a module of the pages."""
    page.goto(f"{shared.url}/machines")

    def call(module: str, function: str, argument: Any) -> Any:
        address = f"{STATIC_ADDRESS}/{module}.js"
        return page.evaluate(
            f"async ([address, argument]) => ({function})(await import(address), argument)",
            [address, argument],
        )

    return call


def test_value_and_uncertainty_are_shown_as_the_table_of_cases_says(evaluate: Any) -> None:
    shown = evaluate(
        "shared/measures",
        """(units, cases) => cases.map(({ value, uncertainty }) => {
            const decimals = units.decimalsFor(uncertainty);
            return `${units.fixed(value, decimals)} ± ${units.fixed(uncertainty, decimals)}`;
        })""",
        DIGITS,
    )
    assert shown == [case["shown"] for case in DIGITS]


def test_the_bench_shows_the_digits_of_the_servers_sentence(evaluate: Any) -> None:
    shown = evaluate(
        "bench/words",
        """(words) => [
            words.angle(0.123, 0.0996, { angle: "deg" }, ["leans right", "leans left"]),
            words.angleSize(0.0996, 0.0996, { angle: "deg" }),
            words.inUnits(
                [{ text: "0.12 ± 0.10 degrees",
                   measure: { value: 0.123, uncertainty: 0.0996, unit: "degrees", decimals: 2 } }],
                { angle: "arcmin" },
            ),
            words.angle(0.0000001, undefined, { angle: "deg" }, ["leans right", "leans left"]),
        ]""",
        None,
    )
    assert shown == ["0.12° leans right", "0.10°", "7.4 ± 6.0 arc minutes", "0.000°"]
