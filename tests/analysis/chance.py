"""What chance allows in a seeded simulation."""

from __future__ import annotations


def within_chance(hits: int, runs: int, rate: float) -> bool:
    """Whether `hits` of `runs` is what chance allows at `rate`: four standard deviations."""
    return abs(hits - runs * rate) <= 4 * (runs * rate * (1 - rate)) ** 0.5
