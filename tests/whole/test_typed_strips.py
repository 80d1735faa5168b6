"""The main job through a caliper that types: twenty strips by key bursts in real Chromium."""

from __future__ import annotations

import statistics
from decimal import Decimal
from math import atan, degrees

import numpy as np
import pytest
from playwright.sync_api import expect

from tests.ptys import until
from tests.whole.browser import Keyboard
from tests.whole.forked import serving


def test_twenty_strips_typed_by_a_caliper_are_scored(page, tmp_path):
    rng = np.random.default_rng(40)
    # Neighbours differ, for the test types faster than a hand: equal ones would be bounces.
    widths = [f"{w:.2f}" for w in 11 + 0.4 * (np.arange(40) % 2) + rng.normal(0, 0.02, 40)]
    with serving(tmp_path / "shop") as server:
        series = server.start_series(tolerance_deg="0.2")
        page.goto(server.url)
        expect(page.locator("#next")).to_contain_text("fence end")
        keyboard = Keyboard(page)
        for count, width in enumerate(widths, 1):
            keyboard.caliper(width)
            assert until(lambda n=count: sum(map(len, server.trials(series))) == n)
        found = server.get(f"/api/series/{series}")
    angles = [
        degrees(atan(float(Decimal(widths[i + 1]) - Decimal(widths[i])) / 400))
        for i in range(0, 40, 2)
    ]
    assert [[r["sent"] for r in t["readings"]] for t in found["trials"]] == [
        widths[i : i + 2] for i in range(0, 40, 2)
    ]
    assert {r["origin"] for t in found["trials"] for r in t["readings"]} == {"keys"}
    score = found["score"]["quantities"]["angle"]
    assert score["mean"] == pytest.approx(statistics.mean(angles), rel=1e-9)
    assert score["sd"] == pytest.approx(statistics.stdev(angles), rel=1e-9)
    assert score["trials"] == 20
    assert score["verdict"] == "good enough"
