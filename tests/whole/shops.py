"""A small shop of measured machines on a running server, for tests that look at its pages."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from uuid import uuid4

from tests.whole.serving import Serving


def measured(server: Serving, machine: str, deviations_mm: tuple[float, ...], **more: Any) -> str:
    """A finished series of strips whose open ends are so many mm wider; its id."""
    series = server.start_series(machine=machine, **more)
    cut(server, deviations_mm)
    server.post(f"/api/series/{series}/finish")
    return series


def cut(server: Serving, deviations_mm: tuple[float, ...], bench: str = "main") -> None:
    """Strips for the series of a bench, read one after the other."""
    press(server, *(v for d in deviations_mm for v in (12.0, 12.0 + d)), bench=bench)


def press(server: Serving, *values_mm: float, bench: str = "main") -> None:
    """Readings of a bench's caliper, one after the other."""
    server.post(
        "/api/readings",
        [
            {
                "id": str(uuid4()),
                "bench": bench,
                "caliper": "six-inch",
                "sent": f"{value:.2f}",
                "unit": "mm",
                "taken_at": datetime.now(UTC).isoformat(),
                # Strips are seldom read within a second of one another.
                "since_previous_ms": 4000,
            }
            for value in values_mm
        ],
    )
