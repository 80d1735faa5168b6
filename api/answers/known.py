"""How a series' result is known: by its uncertainty budget, and by a second way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from uuid import UUID

import numpy as np
from sqlalchemy import Connection

from analysis.methods import Quantity
from analysis.montecarlo import SecondRoute, second_route
from api.answers.series import SeriesAnswer, series

_SEED = 101  # of the draws, so that the same series always says the same


@dataclass(frozen=True, slots=True)
class Known:
    """The series, and both ways to each quantity that it has a result of."""

    series: SeriesAnswer
    quantities: Mapping[Quantity, SecondRoute]


def known(connection: Connection, series_id: UUID) -> Known:
    """Takes a moment, for its many draws. Raises NotFound where no series has that id."""
    found = series(connection, series_id)
    generator = np.random.default_rng(_SEED)
    scored = found.scored.score.quantities
    return Known(
        found,
        {
            quantity: second_route(found.facts, quantity, generator)
            for quantity, score in scored.items()
            if score.budget is not None
        },
    )
