"""Readings and refusals as they wait in a queue and as a server is sent them."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

from capture.records import Reading, Refusal


def reading_body(reading: Reading) -> dict[str, Any]:
    read_by = {} if reading.pattern is None else {"pattern": reading.pattern}
    return read_by | {
        "id": str(reading.id),
        "bench": reading.bench,
        "caliper": reading.caliper,
        "sent": reading.sent,
        "unit": reading.unit,
        "nm": reading.nm,
        "taken_at": reading.taken_at.isoformat(),
        "origin": reading.origin,
        "since_previous_ms": reading.since_previous_ms,
        "late": reading.late,
    }


def refusal_body(refusal: Refusal) -> dict[str, Any]:
    return {
        "id": str(refusal.id),
        "bench": refusal.bench,
        "caliper": refusal.caliper,
        "text": refusal.raw,
        "reason": refusal.reason,
        "heard_at": refusal.heard_at.isoformat(),
    }


def reading_in(body: dict[str, Any]) -> Reading:
    """The reading that `reading_body` wrote."""
    said = body | {
        "id": UUID(body["id"]),
        "taken_at": datetime.fromisoformat(body["taken_at"]),
    }
    return Reading(**said)


def refusal_in(body: dict[str, Any]) -> Refusal:
    """The refusal that `refusal_body` wrote."""
    return Refusal(
        id=UUID(body["id"]),
        bench=body["bench"],
        caliper=body["caliper"],
        raw=body["text"],
        reason=body["reason"],
        heard_at=datetime.fromisoformat(body["heard_at"]),
    )
