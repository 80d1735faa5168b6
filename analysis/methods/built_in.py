"""The built-in methods by their keys, in the order in which they are offered."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from analysis.methods.calipers import KNOWN_BLOCK, SAME_SPOT
from analysis.methods.machines import BLADE_TO_SLOT, CLOSING_MITERS, PLANED_THICKNESS, STOP_BLOCK
from analysis.methods.record import Method
from analysis.methods.references import (
    MITER_PAIR,
    REBATE_DEPTH,
    REVERSED_SQUARE,
    RUN_OUT,
    THREE_EDGES,
)
from analysis.methods.strips import FIVE_CUT, HALF_TURN, REVERSAL, ROLL

_BUILT_IN: Final = (
    REVERSAL,
    HALF_TURN,
    ROLL,
    FIVE_CUT,
    BLADE_TO_SLOT,
    STOP_BLOCK,
    PLANED_THICKNESS,
    CLOSING_MITERS,
    KNOWN_BLOCK,
    SAME_SPOT,
    MITER_PAIR,
    REVERSED_SQUARE,
    THREE_EDGES,
    RUN_OUT,
    REBATE_DEPTH,
)
METHODS: Final[Mapping[str, Method]] = MappingProxyType({m.key: m for m in _BUILT_IN})
"""The built-in methods by their keys."""


def method(key: str, among: Mapping[str, Method] = METHODS) -> Method:
    """The method called `key`. Raises ValueError listing the known keys for any other."""
    try:
        return among[key]
    except (KeyError, TypeError):
        raise ValueError(f"method: {key!r} is not known; use one of {', '.join(among)}") from None
