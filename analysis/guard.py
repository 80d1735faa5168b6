"""Whether a reading, as it comes in, can hardly be right."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked about a reading: a kind, what it should be near, by which rules."""

    kind: str
    near_nm: int
    rules: int
