"""Computes the angle of the cut from the widths of a strip, exactly.

Signs: seen from above with the fence at the bottom, a positive angle leans to the right at
the open end; a positive tilt leans to the right going up. A strip that fell to the right of
the blade shows the opposite sign, which `strip_side` corrects. At its wide end a strip's cut leans
away from the strip.

Every relation is exact for widths measured along the fence: no small-angle form is used.
All angles are in radians, all lengths in millimetres; nan means "not read" in arguments and
"not revealed, or not complete" in results.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis import counts
from analysis.methods import METHODS, Method, Quantity, Relation, Side
from analysis.sentences import plain

Array = NDArray[np.float64]

# In the worst case, near the pole of the tangent, a Newton step halves the distance; 60 halvings
# reach the last bit of a double.
_ROUNDS: Final = 60
# Above this nominal angle the jaws seat on a face of the strip instead of pointing along the fence.
_SEATED_ABOVE: Final = math.radians(1)
# A step of less than two units in the last place no longer changes an angle.
_FOUND: Final = 4e-16
# 64 kB of doubles fit into a cache; arrays of a million trials would go to memory each time.
_BLOCK: Final = 8192


@dataclass(frozen=True, slots=True, eq=False)
class TrialValues:
    """The results of each trial, four arrays of shape (n,).

    deviation_mm: open end minus fence end, or upper minus lower, as read (its sign is the
    strip's own); the gap for a method of one gap; nan for lengths. angle_rad, tilt_rad,
    length_mm: nan where the method does not reveal them or the trial is not complete.
    """

    deviation_mm: Array
    angle_rad: Array
    tilt_rad: Array
    length_mm: Array

    def of(self, quantity: Quantity) -> Array:
        """The array of `quantity`."""
        if quantity == "angle":
            return self.angle_rad
        return self.tilt_rad if quantity == "tilt" else self.length_mm


def series_values(
    method: Method,
    widths_mm: ArrayLike,
    baseline_mm: float | None = None,
    thickness_mm: float | None = None,
    inset_mm: float = 0.0,
    strip_side: Side = "left",
    pieces: int | None = None,
    jaw_width_mm: float | None = None,
) -> TrialValues:
    """Each trial's deviation, angle, tilt and length.

    widths_mm: (n, places, repeats), or (n, places) for one repeat; not finite = not read. A place's
    value is the mean of its repeats that were read; a trial with a place never read is nan.
    baseline_mm, thickness_mm: as the method asks; a quantity whose own is None is nan.
    inset_mm: from the strip's end to the middle of the jaws; jaw_width_mm: see `effective_length`.
    Raises ValueError, naming the field, for lengths that are not positive numbers, an inset
    that leaves no length, a side other than left or right, or widths of another shape.
    """
    means = place_means(method, widths_mm)
    sign = strip_sign(method, strip_side)
    count = pieces_of(method, pieces)
    n = len(means)
    # One shared read-only array for everything that a method does not reveal.
    nothing = np.broadcast_to(np.nan, n)
    deviation = nothing
    found: dict[Quantity, Array] = {}
    for relation in method.relations:
        base = base_mm(relation, baseline_mm, thickness_mm, inset_mm, jaw_width_mm)
        contrast = np.empty(n)
        value = contrast if not relation.terms else nothing if base is None else np.empty(n)
        for rows in blocks(n):
            contrast[rows] = weighted(means[rows], relation.weights)
            if base is not None:
                value[rows] = solve(relation, contrast[rows] / (sign * base), count)
        if relation.terms and deviation is nothing:
            deviation = contrast
        found[relation.quantity] = value
    return TrialValues(
        deviation,
        found.get("angle", nothing),
        found.get("tilt", nothing),
        found.get("length", nothing),
    )


def blocks(n: int) -> Iterator[slice]:
    """Slices that cover n rows in order, each small enough for a processor's cache."""
    return (slice(start, start + _BLOCK) for start in range(0, n, _BLOCK))


def place_means(method: Method, widths_mm: ArrayLike) -> Array:
    """(n, places): the mean of the repeats that were read at each place; nan where none was.

    A width that is not finite counts as not read. Raises ValueError when the shape does not
    fit the method's places.
    """
    widths = np.asarray(widths_mm, dtype=np.float64)
    places = len(method.places)
    if widths.size == 0:
        return np.empty((0, places))
    if widths.ndim == 2:
        widths = widths[:, :, np.newaxis]
    if widths.ndim != 3 or widths.shape[1] != places:
        raise ValueError(
            f"widths: {method.key} has {places} place{'s' if places > 1 else ''} in each trial, "
            f"so the shape must be (trials, {places}, repeats), not {np.shape(widths_mm)}"
        )
    if widths.shape[2] == 1:
        means = widths[:, :, 0]
        return np.where(np.isinf(means), np.nan, means) if np.isinf(means).any() else means
    read = np.isfinite(widths)
    count = read.sum(axis=2)
    # One repeat after the other: the order of numpy's own sum depends on the memory layout.
    total = np.zeros(count.shape)
    for repeat in range(widths.shape[2]):
        total += np.where(read[:, :, repeat], widths[:, :, repeat], 0.0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def weighted(means: Array, weights: tuple[float, ...]) -> Array:
    """(n,): the sum of weights[i] * means[:, i], added in the order of the places: equal strips
    give equal sums (`counts.exact`).

    Not by a matrix product, whose rounding depends on the number of rows: a trial must have the
    same value alone, among others, and when its series is replayed.
    """
    # A fast path for the difference of two places, which most methods use.
    if weights == (-1.0, 1.0):
        return counts.exact(means[:, 1] - means[:, 0])
    total = weights[0] * means[:, 0]
    for place in range(1, len(weights)):
        total += weights[place] * means[:, place]
    return counts.exact(total)


def strip_sign(method: Method, strip_side: Side) -> float:
    """+1 when the strip fell to the left of the blade or the method has no side, else -1.

    Raises ValueError for a side other than left or right.
    """
    if strip_side not in ("left", "right"):
        raise ValueError(f"strip_side: {strip_side!r} must be left or right")
    return -1.0 if method.sided and strip_side == "right" else 1.0


def pieces_of(method: Method, pieces: int | None) -> int:
    """The number of pieces to compute with: as given, else that of the method, else 1.

    Raises ValueError for fewer than three where a frame is closed.
    """
    if method.pieces is None:
        return 1
    if pieces is None:
        return method.pieces
    if pieces < 3:
        raise ValueError(f"pieces: {pieces} pieces close no frame; give 3 or more")
    return pieces


def base_mm(
    relation: Relation,
    baseline_mm: float | None,
    thickness_mm: float | None,
    inset_mm: float = 0.0,
    jaw_width_mm: float | None = None,
) -> float | None:
    """The length that the contrast is divided by; None when it was not given or none is needed.

    Raises ValueError, naming the field, unless the length is positive.
    """
    if relation.over is None:
        return None
    name, given = (
        ("baseline", baseline_mm) if relation.over == "baseline" else ("thickness", thickness_mm)
    )
    if given is None:
        return None
    if not (math.isfinite(given) and given > 0):
        raise ValueError(f"{name}: {plain(given)} mm must be a length greater than zero")
    if not relation.insets:
        return given
    return effective_length(given, inset_mm, jaw_width_mm)


def effective_length(
    baseline_mm: float, inset_mm: float, jaw_width_mm: float | None = None
) -> float:
    """The length between the two places that the jaws touch.

    Flat jaws touch the widest point under them. On a strip that widens from one end to the other
    that is the edge of the jaws towards the wide end: at the narrow end inset + jaw_width / 2 from
    it, at the wide end inset - jaw_width / 2, and the strip's very end where the jaws reach over
    it. So the length is baseline - inset - max(inset, jaw_width / 2), whichever end is the wide
    one. Jaws of no width said touch with their middle: baseline - 2 * inset.

    Raises ValueError when inset or jaw width is negative, or they leave no length.
    """
    if not (math.isfinite(inset_mm) and inset_mm >= 0):
        raise ValueError(f"inset: {plain(inset_mm)} mm must be zero or more")
    jaw = 0.0 if jaw_width_mm is None else jaw_width_mm
    if not (math.isfinite(jaw) and jaw >= 0):
        raise ValueError(f"jaw_width: {plain(jaw)} mm must be zero or more")
    length = baseline_mm - inset_mm - max(inset_mm, jaw / 2)
    if not length > 0 and jaw > 2 * inset_mm:
        raise ValueError(
            f"jaw_width: jaws {plain(jaw)} mm wide leave nothing of a baseline of "
            f"{plain(baseline_mm)} mm; check both"
        )
    if not length > 0:
        raise ValueError(
            f"inset: {plain(inset_mm)} mm at each end leaves nothing of a baseline of "
            f"{plain(baseline_mm)} mm; give a smaller inset"
        )
    return length


def at_stop(method: Method, nominal_deg: float, bevel_deg: float = 0.0) -> Method:
    """The method as it measures a stop: its angle is the error from the stop's nominal one.

    A reversal at the angle a = nominal + error leaves a strip with a wedge of 2 a. Above one degree
    the jaws seat on a face and measure square to it; with the places set along the board that is
    contrast / base = tan(2 a) / cos(a) (from the triangle of the two faces; `seated`). Up to one
    degree the widths are along the fence, as at square.

    Raises ValueError where the method does not measure such a stop, with those that do.
    """
    if nominal_deg == bevel_deg == 0:
        return method
    most, at = method.most_nominal_deg, sorted((abs(nominal_deg), abs(bevel_deg)))
    if not _of_its_stop(method, at):
        reach = f"a stop at {plain(method.stop_deg or 0.0)} degrees, by miter or bevel alone"
    elif most is None:
        return method
    elif bevel_deg == 0 and abs(nominal_deg) <= most:
        return _at(method, nominal_deg)
    else:
        reach = f"a stop up to {plain(most)} degrees from square" if most else "the stop at square"
        reach += ", without a bevel"
    others = " or ".join(
        other.title.lower()
        for other in METHODS.values()
        if other.most_nominal_deg is None
        and _of_its_stop(other, at)
        and other.cuts
        and "angle" in other.reveals
    )
    raise ValueError(f"stop: {method.title} measures {reach}; measure this one by {others}")


def _of_its_stop(method: Method, at: list[float]) -> bool:
    return method.stop_deg is None or at == [0, method.stop_deg]


@lru_cache(maxsize=256)
def _at(method: Method, nominal_deg: float) -> Method:
    nominal = math.radians(nominal_deg)
    return replace(
        method, relations=tuple(replace(r, nominal_rad=nominal) for r in method.relations)
    )


def nominal_mm(method: Method, baseline_mm: float | None, strip_side: Side) -> float:
    """How much the readings of a strip differ where its angle is the stop's nominal one."""
    relation = method.relation("angle")
    if relation is None or not relation.nominal_rad or baseline_mm is None:
        return 0.0
    return strip_sign(method, strip_side) * baseline_mm * float(ratio(relation, 0.0))


def seated(relation: Relation) -> bool:
    """Whether the jaws seat on a face of the strip, as `at_stop` says."""
    return abs(relation.nominal_rad) > _SEATED_ABOVE


def ratio(relation: Relation, angle_rad: ArrayLike, pieces: int = 1) -> Array:
    """contrast / base for an angle: the sum of coefficient * tan(multiple * angle), or as
    `at_stop` says."""
    angle = np.asarray(angle_rad, dtype=np.float64) + relation.nominal_rad
    if seated(relation):
        return np.asarray(np.tan(2 * angle) / np.cos(angle))
    return np.asarray(sum(c * np.tan(m * angle) for c, m in _terms(relation, pieces)))


def slope(relation: Relation, angle_rad: ArrayLike, pieces: int = 1) -> Array:
    """The derivative of `ratio` by the angle: sum of c m (1 + tan(m angle)^2)."""
    angle = np.asarray(angle_rad, dtype=np.float64) + relation.nominal_rad
    if seated(relation):
        wedge = np.tan(2 * angle)
        return np.asarray((2 * (1 + wedge * wedge) + wedge * np.tan(angle)) / np.cos(angle))
    return np.asarray(
        sum(c * m * (1 + np.tan(m * angle) ** 2) for c, m in _terms(relation, pieces))
    )


def solve(relation: Relation, ratio: ArrayLike, pieces: int = 1) -> Array:
    """The angle in radians whose `ratio` is the one given; nan gives nan.

    One term: arctan(ratio / c) / m. Several: Newton's method on the branch through zero,
    started at the smallest of the single-term solutions. Each of those is at or beyond the
    root, and the sum is convex there, so every step approaches the root from one side. Each
    value stops when it has converged, so that it does not depend on the others.
    """
    value = np.asarray(ratio, dtype=np.float64)
    if seated(relation):
        return _solve_seated(value) - relation.nominal_rad
    terms = _terms(relation, pieces)
    if len(terms) == 1:
        c, m = terms[0]
        angle = np.arctan(value if c == 1 else value / c)
        angle = angle if m == 1 else angle / m
        return np.asarray(angle - relation.nominal_rad if relation.nominal_rad else angle)
    size = np.abs(value)
    angle = np.min([np.arctan(size / c) / m for c, m in terms], axis=0)
    moving = np.full(angle.shape, True)
    for _ in range(_ROUNDS):
        tangents = [np.tan(m * angle) for _, m in terms]
        excess = sum(c * t for (c, _), t in zip(terms, tangents, strict=True)) - size
        steep = sum(c * m * (1 + t * t) for (c, m), t in zip(terms, tangents, strict=True))
        step = excess / steep
        angle = np.where(moving, angle - step, angle)
        moving &= np.abs(step) > _FOUND * np.abs(angle)
        if not np.any(moving):
            break
    return np.asarray(np.copysign(angle, value))


def _solve_seated(ratio: Array) -> Array:
    """The angle whose tan(2 a) / cos(a) is the ratio, by Newton's method from atan(ratio) / 2,
    which is at or beyond it, as in `solve`."""
    size = np.abs(ratio)
    angle = np.arctan(size) / 2
    moving = np.full(angle.shape, True)
    for _ in range(_ROUNDS):
        wedge = np.tan(2 * angle)
        steep = 2 * (1 + wedge * wedge) + wedge * np.tan(angle)
        step = (wedge - size * np.cos(angle)) / steep
        angle = np.where(moving, angle - step, angle)
        moving &= np.abs(step) > _FOUND * np.abs(angle)
        if not np.any(moving):
            break
    return np.copysign(angle, ratio)


def _terms(relation: Relation, pieces: int) -> list[tuple[float, float]]:
    return [(t.coefficient, t.multiple * (pieces if t.per_piece else 1)) for t in relation.terms]
