"""A series in a list, from the answer to what goes out."""

from __future__ import annotations

from api.answers.series import Scored
from api.web import convert
from api.web.shapes.series_list import QuantitySummary, SeriesLine


def series_line(found: Scored) -> SeriesLine:
    """The head of a series and what its trials say."""
    score = convert.score_out(found)
    quantities = {n: QuantitySummary.model_validate(q) for n, q in score.quantities.items()}
    head = dict(convert.series_head(found.row))
    return SeriesLine(**head, trials=score.trials, quantities=quantities)
