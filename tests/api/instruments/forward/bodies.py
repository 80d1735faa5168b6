"""What a bench hands over."""

from __future__ import annotations

from typing import Any


def body(sent: str) -> dict[str, Any]:
    return {"id": f"id of {sent}", "bench": "main", "caliper": "six-inch", "sent": sent}
