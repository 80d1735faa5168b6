"""A person at the bench, over HTTP."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import count
from typing import Any
from uuid import UUID
from zlib import crc32

from fastapi.testclient import TestClient

_NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


class Person:
    """Starts series and sends readings four seconds apart."""

    def __init__(self, client: TestClient, bench: str = "main") -> None:
        self.client = client
        self.bench = bench
        # Numbers of each bench's own, the same in every run; `hash` would differ, and may meet.
        self._numbers: Iterator[int] = count(crc32(bench.encode()) % 1000 * 100_000 + 1)

    def post(self, path: str, body: Any = None, status: int = 200) -> Any:
        answer = self.client.post(path, json={} if body is None else body)
        assert answer.status_code == status, answer.text
        return answer.json()

    def get(self, path: str) -> Any:
        answer = self.client.get(path)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def start(self, machine: str = "Window saw", **settings: Any) -> str:
        made = self.post("/api/machines", {"name": machine, "kind": "other"}, 201)
        body = {
            "machine": made["id"],
            "method": "reversal",
            "bench": self.bench,
            "baseline": "200",
            "unit": "mm",
            "strip_side": "left",
        } | settings
        series: str = self.post("/api/series", body, 201)["id"]
        return series

    def reading(self, sent: str, **more: Any) -> dict[str, Any]:
        number = next(self._numbers)
        return {
            "id": str(UUID(int=number)),
            "bench": self.bench,
            "caliper": "six-inch",
            "sent": sent,
            "unit": "mm",
            "taken_at": (_NOON + timedelta(seconds=4 * number)).isoformat(),
        } | more

    def press(self, *sent: str, **more: Any) -> list[dict[str, Any]]:
        readings = [self.reading(s, **more) for s in sent]
        done = self.post("/api/readings", readings)
        assert (done["stored"], done["known"], done["refused"]) == (len(readings), 0, [])
        return readings

    def series(self, series: str) -> Any:
        return self.get(f"/api/series/{series}")

    def sent(self, series: str) -> list[list[str]]:
        return [[r["sent"] for r in t["readings"]] for t in self.series(series)["trials"]]
