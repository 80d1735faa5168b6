"""A page's own readings: posted, and posted again until the server says that it has them."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Final
from uuid import uuid4

import httpx2

from tests.faults.presses import Press

# A server that is stopped would keep the driver waiting.
_ANSWER_S: Final = 1.0


class Outbox:
    """Readings that wait for their acknowledgement, in order.

    said: the sentences of refusals; silent: answers that refused without a sentence.
    """

    def __init__(self, url: str) -> None:
        self.said: list[str] = []
        self.silent: list[str] = []
        self._client = httpx2.Client(base_url=url, timeout=_ANSWER_S)
        self._waiting: list[tuple[Press, dict[str, str]]] = []

    @property
    def empty(self) -> bool:
        return not self._waiting

    def put(self, press: Press) -> None:
        press.heard = True
        body = {
            "id": str(uuid4()),
            "bench": "main",
            "caliper": "posted",
            "sent": press.text,
            "unit": "mm",
            "taken_at": datetime.now(UTC).isoformat(),
        }
        self._waiting.append((press, body))

    def send(self) -> bool:
        """Post all that waits; whether it is acknowledged now."""
        if self.empty:
            return True
        try:
            answer = self._client.post("/api/readings", json=[body for _, body in self._waiting])
        except httpx2.HTTPError:
            return False
        if answer.status_code == 200:
            self._acknowledged(answer)
            return True
        detail = _detail(answer)
        (self.said if detail else self.silent).append(f"{answer.status_code} {detail}")
        return False

    def close(self) -> None:
        self._client.close()

    def _acknowledged(self, answer: httpx2.Response) -> None:
        said = answer.json()
        if said["stored"] + said["known"] != len(self._waiting):
            self.silent.append(f"200 {said}")
            return
        for press, _ in self._waiting:
            press.acknowledged = True
        self._waiting.clear()


def _detail(answer: httpx2.Response) -> str:
    """The sentence of a refusal; empty where there is none."""
    try:
        found = answer.json()
    except ValueError:
        return ""
    return str(found.get("detail", "")) if isinstance(found, dict) else ""
