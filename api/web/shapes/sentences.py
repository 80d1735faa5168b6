"""Sentences cut at their measures."""

from __future__ import annotations

from analysis.sentences import MeasureUnit
from api.web.shapes import Out


class MeasureOut(Out):
    """A number in a sentence: value, with its expanded uncertainty where it is given, in `unit`;
    decimals: as many as the sentence shows in that unit."""

    value: float
    uncertainty: float | None
    unit: MeasureUnit
    decimals: int


class SentencePartOut(Out):
    """`text` as in the sentence; `measure` where it is a number with a unit."""

    text: str
    measure: MeasureOut | None
