"""The published reference values in fixtures/published.json, as (inputs, expected, tolerance).

The file says how each was obtained and where a copy is. The NIST/SEMATECH e-Handbook is at
https://www.itl.nist.gov/div898/handbook/, the NIST Statistical Reference Datasets are at
https://www.itl.nist.gov/div898/strd/.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest

_FILE = Path(__file__).parents[2] / "fixtures" / "published.json"


@dataclass(frozen=True)
class Case:
    """One published case; unpacks as inputs, expected, tolerance."""

    id: str
    topic: str
    source: str
    inputs: Any
    expected: Any
    tolerance: Any

    def __iter__(self) -> Iterator[Any]:
        return iter((self.inputs, self.expected, self.tolerance))

    def near(self, value: Any, *keys: str) -> Any:
        """The expected value at `keys`, as an approx with its tolerance; compare with ==."""
        expected = self.expected
        for key in keys:
            expected = expected[key]
        limits = self.tolerance
        if "per_key" in limits:
            limits = limits["per_key"][keys[0]]
        return value == pytest.approx(expected, abs=limits.get("abs", 0), rel=limits.get("rel", 0))


@cache
def _all() -> dict[str, Case]:
    raw = json.loads(_FILE.read_text(encoding="utf-8"))
    return {
        r["id"]: Case(r["id"], r["topic"], r["source"], r["inputs"], r["expected"], r["tolerance"])
        for r in raw
    }


def case(id: str) -> Case:
    """The case called `id`."""
    return _all()[id]


def cases(topic: str) -> list[Case]:
    """All cases of a topic."""
    return [c for c in _all().values() if c.topic == topic]
