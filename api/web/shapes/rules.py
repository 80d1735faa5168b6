"""By which rules verdicts are said, and what they changed."""

from __future__ import annotations

from datetime import datetime
from typing import Literal
from uuid import UUID

from pydantic import Field

from api.web.shapes import In, Out

Verdict = Literal["good enough", "needs adjusting", "cannot tell yet"]


class ChangedVerdictOut(Out):
    series: UUID
    machine: str
    method: str
    at: datetime
    quantity: Literal["angle", "tilt", "length"]
    trials: int
    was: Verdict
    now: Verdict | None


class RulesChangedOut(Out):
    """series: how many read otherwise, of `compared`; left: older ones that were not compared."""

    rules: int
    why: str
    said_at: datetime
    compared: int
    left: int
    series: int
    verdicts: list[ChangedVerdictOut]


class RulesOut(Out):
    """rules: the number of today's; changes: what each number changed. changed: what is still to be
    told of this store, null where nothing is."""

    rules: int
    version: str
    changes: dict[int, str]
    changed: RulesChangedOut | None


class RulesSeenIn(In):
    rules: int = Field(ge=1, le=1_000_000)
