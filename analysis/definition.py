"""The formula of a method as plain data, so that whoever has it, the settings of a series and its
readings can compute each result again."""

from __future__ import annotations

import math
from typing import Any, Final

from analysis.geometry import seated
from analysis.methods import Method, Relation

FORMULA: Final = (
    "Of each trial: m[i] is the mean of the readings at places[i]. For each of relations,"
    " contrast = the sum of weights[i] * m[i]. Without terms the quantity is a length and is the"
    " contrast, in mm. Else a = nominal_deg + quantity solves contrast / (sign * base) = the sum of"
    " coefficient * tan(multiple * a) over terms, divided by cos(a) where over_cosine is true; of"
    " several roots the one nearest to zero. sign is -1 where sided is true and the strip fell to"
    " the right, else 1. Where per_piece is true, multiple counts once for each of pieces: those of"
    " the series, else of the definition. base is the thickness or the baseline, as over says;"
    " where insets is not 0, baseline - inset - max(inset, jaw_width / 2), a width of the jaws that"
    " is empty being 0. deviation_mm is the contrast of the first relation that has terms."
)
"""How the results follow from a definition. As `analysis.geometry` computes them."""


def definition(method: Method) -> dict[str, Any]:
    """The parts of a method that its results follow from, for JSON; one at a stop as it measures
    there (`geometry.at_stop`)."""
    return {
        "title": method.title,
        "places": [place.key for place in method.places],
        "relations": [_relation(relation) for relation in method.relations],
        "sided": method.sided,
        "pieces": method.pieces,
    }


def _relation(relation: Relation) -> dict[str, Any]:
    wedge = seated(relation)
    terms = ((1.0, 2.0, False),) if wedge else relation.terms
    return {
        "quantity": relation.quantity,
        "weights": list(relation.weights),
        "terms": [
            {"coefficient": coefficient, "multiple": multiple, "per_piece": per_piece}
            for coefficient, multiple, per_piece in terms
        ],
        "over_cosine": wedge,
        "over": relation.over,
        "insets": relation.insets,
        "nominal_deg": math.degrees(relation.nominal_rad),
        "positive": relation.toward[0],
        "negative": relation.toward[1],
    }
