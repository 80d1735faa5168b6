"""The interval record that all analyses use."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Interval:
    """From `low` to `high` in the unit of the quantity, holding at `level` (0.95)."""

    low: float
    high: float
    level: float = 0.95

    def __contains__(self, value: float) -> bool:
        return self.low <= value <= self.high

    @staticmethod
    def about(centre: float, half_width: float, level: float = 0.95) -> Interval:
        """centre +- half_width."""
        return Interval(centre - half_width, centre + half_width, level)

    @property
    def half_width(self) -> float:
        return (self.high - self.low) / 2
