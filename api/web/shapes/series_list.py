"""Series in a list, as they go out."""

from __future__ import annotations

from typing import Literal
from uuid import UUID

from api.web.shapes import Out
from api.web.shapes.series import SeriesHead


class QuantitySummary(Out):
    """What a series says of one quantity, in `unit`; null where too few trials say anything."""

    unit: Literal["deg", "mm"]
    trials: int
    mean: float | None
    sd: float | None
    expanded_uncertainty: float | None
    coverage_factor: float | None
    tolerance: float | None
    verdict: Literal["good enough", "needs adjusting", "cannot tell yet"] | None
    direction: str
    sentence: str


class SeriesLine(SeriesHead):
    """A series in a list: its head and what it says, without its trials."""

    trials: int
    quantities: dict[str, QuantitySummary]


class SeriesPage(Out):
    """`before` gets the next page, null on the last one."""

    series: list[SeriesLine]
    before: UUID | None
