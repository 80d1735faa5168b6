"""What a bench elsewhere tells of itself."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest

from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE


def test_a_bench_tells_how_far_its_clock_is_off(client):
    def compared(hours: float) -> float:
        sent_at = datetime.now(UTC) + timedelta(hours=hours)
        told = {"calipers": [], "sent_at": sent_at.isoformat()}
        assert client.post("/api/benches/saw/calipers", json=told).status_code == 200
        return client.get("/api/benches/saw").json()["clock_behind_ms"] / 3_600_000

    assert client.get("/api/benches/saw").json()["clock_behind_ms"] is None
    assert compared(-1) == pytest.approx(1, abs=0.02)
    assert compared(2) == pytest.approx(-2, abs=0.02)


@ON_SQLITE
def test_a_bench_of_before_0_5_hands_over_a_press_that_is_asked_about(client):
    person = Person(client)
    series = person.start()
    person.press("11.40", "11.46", "11.42", "11.47", "11.41", "11.45")
    # What 0.4.0 sends, field by field. It takes a count of all it sent for their acknowledgement.
    doubted, following = (
        {
            "id": str(UUID(int=900 + number)),
            "bench": "main",
            "caliper": "six-inch",
            "sent": sent,
            "unit": "mm",
            "nm": nm,
            "taken_at": f"2026-03-02T13:00:0{4 * number}+00:00",
            "origin": "button",
            "since_previous_ms": 4000,
            "late": False,
        }
        for number, (sent, nm) in enumerate((("114.20", 114_200_000), ("11.42", 11_420_000)))
    )
    said = person.post("/api/readings", [doubted])
    assert (said["stored"], said["known"], said["refused"]) == (1, 0, [])
    assert [each["kind"] for each in said["outcomes"]] == ["asked"]
    assert person.post("/api/readings", [doubted, following])["stored"] == 1
    trial = person.series(series)["trials"][-1]
    assert [reading["sent"] for reading in trial["readings"]] == ["11.42"]
