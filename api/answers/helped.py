"""Did it help that a machine was adjusted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from sqlalchemy import Connection

from analysis import adjustment
from analysis.methods import Quantity
from api.answers.before_after import BeforeAfter, before_after
from api.answers.sides import Side, systematic_of
from api.errors import InvalidField

Answer = adjustment.Answer | Literal["nothing was changed"]


@dataclass(frozen=True, slots=True, eq=False)
class Helped:
    """`told` is in the unit of the values; answer and sentence go by what was done, too."""

    of: BeforeAfter
    told: adjustment.Adjustment
    answer: Answer
    sentence: str


def helped(connection: Connection, before: Side, after: Side, quantity: Quantity) -> Helped:
    """Whether the machine is nearer to nominal in `after` than it was in `before`.

    Raises InvalidField for lengths of which no nominal one is known, and where it is not one
    machine, or not in this order.
    """
    if quantity == "length" and None in (before.nominal_mm, after.nominal_mm):
        raise InvalidField(
            "after",
            "no nominal length is known; begin the series with a tolerance around one",
        )
    of = before_after(connection, before, after, quantity)
    shared_u, own_u = systematic_of((before, after), of.values)
    told = adjustment.adjusted(
        *of.values.values,
        unit=of.values.unit,
        shared_u=shared_u,
        own_u=own_u,
        floor_sd=of.values.least_sd,
    )
    if not of.happened:
        # Two series always differ; without a change between them nothing can have helped.
        return Helped(
            of,
            told,
            "nothing was changed",
            "Nothing is recorded between the two that could have helped; if the machine was"
            " adjusted, say so on its page.",
        )
    return Helped(of, told, told.answer, told.sentence)
