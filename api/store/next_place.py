"""Where the next reading goes, as events and pages receive it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from analysis.methods import Place
from capture import folded


@dataclass(frozen=True, slots=True)
class NextPlace:
    """Where the next reading goes; `repeats`: how often each place is read."""

    at: folded.Next
    place: Place
    repeats: int

    def as_json(self) -> dict[str, Any]:
        """As pages receive it, and as the event of the previous reading stores it."""
        return {
            "trial": self.at.trial,
            "place": self.place.key,
            "label": self.place.label,
            "index": self.at.place,
            "repeat": self.at.repeat,
            "repeats": self.repeats,
        }
