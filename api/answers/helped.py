"""Whether adjusting a machine helped."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from sqlalchemy import Connection

from analysis import adjustment
from analysis.methods import Quantity
from api.answers.before_after import BeforeAfter, before_after
from api.answers.comparable import ComparableSeries, between_first_two
from api.errors import InvalidField

Answer = adjustment.Answer | Literal["nothing was changed", "nothing was adjusted"]

TO_CUT_NEARER: Final = frozenset({"adjusted", "blade changed"})
"""Changes that are made so that a machine cuts nearer to nominal; others may have any effect."""


@dataclass(frozen=True, slots=True, eq=False)
class Helped:
    """`result` is in the unit of the values. answer and sentence also depend on what was done: they
    say whether it helped only where the change was made to cut nearer to nominal."""

    of: BeforeAfter
    result: adjustment.Adjustment
    answer: Answer
    sentence: str


def helped(
    connection: Connection, before: ComparableSeries, after: ComparableSeries, quantity: Quantity
) -> Helped:
    """Whether the machine is nearer to nominal in `after` than it was in `before`.

    Raises InvalidField for lengths without a nominal length, and where the series are of different
    machines, or in the wrong order.
    """
    if quantity == "length" and None in (before.nominal_mm, after.nominal_mm):
        raise InvalidField(
            "after",
            "no nominal length is known; begin the series with a tolerance around one",
        )
    of = before_after(connection, before, after, quantity)
    between = between_first_two((before, after), of.values)
    result = adjustment.adjusted(
        *of.values.units.values,
        unit=of.values.unit,
        shared_u=between.shared_u,
        apart_u=between.apart_u,
        floor_sd=of.values.least_sd,
        counted=of.values.units.counted,
        noun=of.values.noun,
        each_look=(before.each_look, after.each_look),
    )
    answer, sentence = _answer(of, result)
    return Helped(of, result, answer, sentence)


def _answer(of: BeforeAfter, result: adjustment.Adjustment) -> tuple[Answer, str]:
    # Two series always differ; only a change made for this purpose can have helped.
    if not of.happened:
        return "nothing was changed", (
            "Nothing is recorded between these series that could have helped; if the machine was"
            " adjusted, say so on its page."
        )
    if TO_CUT_NEARER.isdisjoint(of.happened):
        stands = f": the mean is {result.stands}" if result.stands else ""
        return "nothing was adjusted", (
            f"Between these series it was {of.done}, but no adjustment and no other blade is"
            f" recorded{stands}. If the machine was adjusted, say so on its page."
        )
    return result.answer, result.sentence
