"""Readings that are posted to a server, each a second later than the one before."""

from __future__ import annotations

from itertools import count

from tests.whole.serving import Serving

_numbers = count(1)


def press(server: Serving, *sent: str) -> list[str]:
    """Readings of one caliper, in mm, on bench main; their ids."""
    readings = []
    for each in sent:
        number = next(_numbers)
        minutes, second = divmod(number, 60)
        hour, minute = divmod(minutes, 60)
        readings.append(
            {
                "id": f"00000000-0000-7000-8000-{number:012d}",
                "caliper": "six-inch",
                "sent": each,
                "unit": "mm",
                "taken_at": f"2026-03-02T{hour:02d}:{minute:02d}:{second:02d}.5Z",
            }
        )
    server.post("/api/readings", readings)
    return [reading["id"] for reading in readings]
