"""Answers about what it takes to see an error."""

from __future__ import annotations

from api.web.shapes import Out


class PlanTable(Out):
    """The smallest error seen, in degrees: `smallest_deg[i][j]` for width i and cuts j.

    Null where no error would be, because the jaws' inset leaves nothing of the width.
    """

    widths_mm: list[float]
    cuts: list[int]
    smallest_deg: list[list[float | None]]


class PlanOut(Out):
    """Three ways to see the error, each with the other two left as asked for.

    cuts are trials (strips, frames), each of which may average several cuts of the machine;
    own_sd_deg is the scatter of a single cut, trial_sd_deg that of a trial. cuts_needed: null where
    no number up to 10000 would do. width_needed_mm and resolution_needed_mm: the least width and
    the coarsest caliper with the cuts asked for, null where none would do. seen_deg: the smallest
    error that those cuts see on that width,
    missed in at most `beta` of series, and `power` their chance to see the error asked for.
    """

    method: str
    quantity: str
    error_deg: float
    width_mm: float
    length_mm: float
    cuts: int
    two_series: bool
    alpha: float
    beta: float
    reading_sd_mm: float
    resolution_mm: float
    own_sd_deg: float
    trial_sd_deg: float
    cuts_needed: int | None
    width_needed_mm: float | None
    resolution_needed_mm: float | None
    seen_deg: float
    power: float
    sentences: list[str]
    table: PlanTable
