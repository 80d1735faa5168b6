"""Answers about an error and the work."""

from __future__ import annotations

from typing import Literal

from api.web.shapes import Out


class EffectOut(Out):
    """How far the work is off, signed as the angle, with its expanded uncertainty (95 %)."""

    mm: float
    expanded_uncertainty_mm: float
    sentence: str


class AllowedOut(Out):
    """The angle error at which the accepted gap is reached, either way.

    within: whether the error given, with its uncertainty, stays inside it; null without one or
    where the uncertainty is too large to decide.
    """

    of: Literal["joint", "case", "frame"]
    deg: float
    within: bool | None
    sentence: str


class WorkOut(Out):
    """What was asked about; null for what was not."""

    angle_deg: float | None
    expanded_uncertainty_deg: float
    joint: EffectOut | None
    side: EffectOut | None
    case: EffectOut | None
    frame: EffectOut | None
    allowed: list[AllowedOut]
