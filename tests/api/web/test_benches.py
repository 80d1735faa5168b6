"""What a bench elsewhere tells of itself."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest


def test_a_bench_tells_how_far_its_clock_is_off(client):
    def compared(hours: float) -> float:
        sent_at = datetime.now(UTC) + timedelta(hours=hours)
        told = {"calipers": [], "sent_at": sent_at.isoformat()}
        assert client.post("/api/benches/saw/calipers", json=told).status_code == 200
        return client.get("/api/benches/saw").json()["clock_behind_ms"] / 3_600_000

    assert client.get("/api/benches/saw").json()["clock_behind_ms"] is None
    assert compared(-1) == pytest.approx(1, abs=0.02)
    assert compared(2) == pytest.approx(-2, abs=0.02)
