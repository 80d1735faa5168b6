"""From a series' row to what the analysis asks for."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Row

from analysis.conformity import Tolerance
from analysis.facts import SeriesFacts
from analysis.geometry import at_stop
from analysis.methods import Method, custom_method, method
from analysis.uncertainty import rectangular, resolution_nm
from analysis.units import Unit, mm, parse_length, parse_number

# What most digital calipers count in, where the readings themselves do not tell.
# Common practice, no source.
_USUAL_RESOLUTION_MM = 0.01


def method_of(series: Row[Any]) -> Method:
    """The method that the series follows; of the user's own, as it was when it was measured."""
    return method_as_stored(series.method, json.dumps(series.method_data, sort_keys=True))


@lru_cache(maxsize=256)
def method_as_stored(key: str, definition: str | None) -> Method:
    """The same from the two columns of the series, the definition as JSON text; a built-in method
    has none, or null."""
    data = None if definition is None else json.loads(definition)
    return method(key) if data is None else custom_method(data)


def facts_of(series: Row[Any], widths_mm: NDArray[np.float64], resolution_mm: float) -> SeriesFacts:
    """What the analysis needs to score trials of `series`.

    widths_mm: (trials, places, repeats), nan where not read; resolution_mm: the caliper's
    count, as the texts of the same readings show it.
    """
    return SeriesFacts(
        method=at_stop(method_of(series), float(series.nominal_deg), float(series.bevel_deg)),
        widths_mm=widths_mm,
        strip_side=series.strip_side,
        baseline_mm=None if series.baseline_nm is None else mm(series.baseline_nm),
        thickness_mm=None if series.thickness_nm is None else mm(series.thickness_nm),
        inset_mm=mm(series.inset_nm),
        pieces=series.pieces,
        resolution_mm=resolution_mm,
        baseline_u_mm=standard_u(series.baseline_within, series.unit),
        thickness_u_mm=standard_u(series.thickness_within, series.unit),
        inset_u_mm=standard_u(series.inset_within, series.unit),
        jaw_width_mm=None if series.jaw_width_nm is None else mm(series.jaw_width_nm),
        straightness_mm=_within_mm(series.straightness, series.unit),
        tolerance=tolerance_of(series),
        unit=series.unit,
        planned=series.strips,
        ended=series.finished_at is not None,
    )


def tolerance_of(series: Any) -> Tolerance | None:
    """What the series counts as good enough, None where it does not say.

    `series` has the columns of `tables.Series`. Raises ValueError, naming the field, for
    numbers that can't be a tolerance.
    """
    if series.tolerance_deg is not None:
        return Tolerance.angle(
            math.radians(float(parse_number(series.tolerance_deg))),
            f"{series.tolerance_deg.strip()} degrees",
        )
    if series.tolerance_gap is not None:
        return Tolerance.gap(
            mm(parse_length(series.tolerance_gap, series.unit)),
            mm(parse_length(series.tolerance_joint, series.unit)),
        )
    if series.tolerance_length is not None:
        half = mm(parse_length(series.tolerance_length, series.unit))
        nominal = mm(parse_length(series.tolerance_nominal, series.unit))
        return Tolerance.length(nominal - half, nominal + half)
    return None


def _within_mm(text: str | None, unit: Unit) -> float | None:
    return None if text is None else mm(parse_length(text, unit))


def standard_u(text: str | None, unit: Unit) -> float | None:
    """In mm, of a length that may be off by the bound in `text`; None where none is said."""
    bound = _within_mm(text, unit)
    return None if bound is None else rectangular(bound)


def resolution_mm(sent: Sequence[tuple[str, Unit]]) -> float:
    """The caliper's count; the coarsest where readings came in both units."""
    counts = [
        count
        for unit in ("mm", "in")
        if (texts := [text for text, of in sent if of == unit])
        and (count := resolution_nm(texts, unit)) is not None
    ]
    return mm(max(counts)) if counts else _USUAL_RESOLUTION_MM
