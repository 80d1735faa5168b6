"""A machine's stops together: a wrong zero, a wrong scale and a single bad stop are told apart.

error = zero + scale * nominal angle, and one stop that is off by itself: each of the three may be
there or not, which makes 4 models for all stops and 4 for each stop that may be the bad one. Each
is fitted by generalized least squares and rejected where the weighted sum of squares exceeds the
95 % point of chi squared. What all models that are left have in common is said. Whatever model is
the true one, it is left in 95 % of cases, and then nothing is said that it does not have: at most
5 % of what is said is wrong (an intersection-union test; Berger and Hsu, Statistical Science 11
(1996) 283). The rate is that of the own simulation in the tests.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.conversions import plus_minus_text, size_text
from analysis.quantiles import student_t
from analysis.sentences import number
from analysis.systematic import NOTHING, Systematic, covariances
from analysis.uncertainty import coverage_factor

Array = NDArray[np.float64]
Told = Literal["too few", "nothing", "not told", "pattern", "no pattern"]

FEWEST: Final = 4
"""Stops of different angles: with fewer some model with all three always fits."""
_LEVEL: Final = 0.95
# A mean of few trials is taken as normal with a standard uncertainty that reaches its t quantile
# here: farther out than 95 %, since many stops are looked at at once (own simulation).
_REACH: Final = 0.995


@dataclass(frozen=True, slots=True)
class StopError:
    """What was found at one stop, in radians: the error from nominal, its standard uncertainty from
    what each series has anew with its degrees of freedom, and what more trials would not reduce.
    return_sd: the scatter of the stop itself from visit to visit where it is known and not in u, as
    that of a series of one visit is not; returns_known: whether u or return_sd has it."""

    name: str
    nominal_rad: float
    error_rad: float
    u: float
    df: float = math.inf
    systematic: Systematic = field(default=NOTHING)
    return_sd: float = 0.0
    returns_known: bool = True


@dataclass(frozen=True, slots=True)
class Fitted:
    """A part of the pattern, with its expanded uncertainty (95 %): the zero in radians, the scale
    as a ratio, or by how much the bad stop is off beside them, in radians.

    The value is that of the model with fewest parts of those that fit; the uncertainty reaches as
    far as any model that fits does, since the true one is among them. By the model with fewest
    parts alone it would hold in as few as 70 of 100 maps with a small scale beside a large zero
    (own simulation)."""

    value: float
    expanded: float


@dataclass(frozen=True, slots=True)
class StopMap:
    """zero, scale and bad: what of the pattern is told, None where it is not; `stop` is the name of
    the bad one. told: "nothing": the errors are no more than measuring explains; "not told": they
    are, but more than one pattern fits; "no pattern": none fits, each stop is off by itself.
    first: which to mend first."""

    told: Told
    zero: Fitted | None
    scale: Fitted | None
    bad: Fitted | None
    stop: str | None
    first: Literal["zero", "scale", "stop"] | None
    sentence: str


_ZERO: Final = 0
_SCALE: Final = 1
_STOPS: Final = 2


class _Model(NamedTuple):
    """Which parts there are; bad: the index of the stop that is off by itself."""

    zero: bool
    scale: bool
    bad: int | None

    @property
    def columns(self) -> list[int]:
        """Of the design, those of its parts."""
        parts = [at for at, there in ((_ZERO, self.zero), (_SCALE, self.scale)) if there]
        return parts if self.bad is None else [*parts, _STOPS + self.bad]


def stop_map(stops: Sequence[StopError]) -> StopMap:
    """What the errors of a machine's stops have in common, and which to mend first.

    Where it is not known how a stop returns, the sentence says so: of saws that return within 0.02
    degrees, 10 to 30 in 100 would be told a part that they do not have (own simulation).
    """
    found = _found(stops)
    unknown = [stop.name for stop in stops if not stop.returns_known]
    if found.told in ("too few", "nothing") or not unknown:
        return found
    return replace(found, sentence=f"{found.sentence} {_as_it_stood(unknown)}")


def _found(stops: Sequence[StopError]) -> StopMap:
    angles = {stop.nominal_rad for stop in stops}
    if len(stops) < FEWEST or len(angles) < FEWEST:
        return _without("too few", _too_few(len(angles)))
    whitened = [_whitened(stops, covariance) for covariance in _covariances(stops)]
    squares = {model: min(w.squares(model) for w in whitened) for model in _models(len(stops))}
    left = [m for m, found in squares.items() if found <= _most(len(stops) - len(m.columns))]
    if not left:
        return _without("no pattern", _NO_PATTERN)
    common = frozenset.intersection(*(frozenset(model.columns) for model in left))
    if not common:
        nothing = any(not model.columns for model in left)
        return _without(*(("nothing", _NOTHING) if nothing else ("not told", _NOT_TOLD)))
    # Its parts are those of the model with fewest parts of those that fit.
    fitted = min(left, key=lambda model: (len(model.columns), squares[model]))
    values = whitened[0].fit(fitted)
    fits = [w.fit(model) for model in left for w in whitened]
    told = {part: _reaching(values[part], [fit[part] for fit in fits]) for part in sorted(common)}
    found = _said(stops, told)
    if any(frozenset(model.columns) == common for model in left):
        return found
    may_be = {part for m in left if len(m.columns) == len(fitted.columns) for part in m.columns}
    return replace(found, sentence=f"{found.sentence} {_more(stops, may_be - common)}")


def _reaching(told: Fitted, fits: Sequence[Fitted]) -> Fitted:
    return replace(told, expanded=max(abs(f.value - told.value) + f.expanded for f in fits))


def _models(count: int) -> Iterator[_Model]:
    for zero in (False, True):
        for scale in (False, True):
            for bad in (None, *range(count)):
                yield _Model(zero, scale, bad)


def _most(df: int) -> float:
    from scipy.special import chdtri

    return float(chdtri(df, 1 - _LEVEL))


def _covariances(stops: Sequence[StopError]) -> list[Array]:
    own = np.diag([(s.u * _factor(s.df)) ** 2 + s.return_sd**2 for s in stops])
    shared, apart = covariances([s.systematic for s in stops])
    return [shared + own] if np.array_equal(shared, apart) else [shared + own, apart + own]


def _factor(df: float) -> float:
    return float(student_t(_REACH, df) / student_t(_REACH, math.inf))


@dataclass(frozen=True, slots=True, eq=False)
class _Whitened:
    """Errors of equal weight and their design: zero, scale, then each stop by itself."""

    design: Array
    error: Array

    def squares(self, model: _Model) -> float:
        """The weighted sum of squares that the model leaves."""
        rest = self.error
        if model.columns:
            base, _ = np.linalg.qr(self.design[:, model.columns])
            rest = rest - base @ (base.T @ rest)
        return float(rest @ rest)

    def fit(self, model: _Model) -> dict[int, Fitted]:
        """The parts of the model, by their columns."""
        x = self.design[:, model.columns]
        normal = np.linalg.inv(x.T @ x)
        found, k = normal @ (x.T @ self.error), coverage_factor(math.inf)
        return {
            column: Fitted(float(found[at]), k * math.sqrt(normal[at, at]))
            for at, column in enumerate(model.columns)
        }


def _whitened(stops: Sequence[StopError], covariance: Array) -> _Whitened:
    nominal = np.array([stop.nominal_rad for stop in stops])
    error = np.array([stop.error_rad for stop in stops])
    design = np.column_stack([np.ones(len(stops)), nominal, np.eye(len(stops))])
    root = np.linalg.cholesky(covariance)
    return _Whitened(np.linalg.solve(root, design), np.linalg.solve(root, error))


# ---------------------------------------------------------------- in words


def _without(told: Told, sentence: str) -> StopMap:
    return StopMap(told, None, None, None, None, None, sentence)


def _too_few(count: int) -> str:
    return (
        f"A wrong zero, a wrong scale and a bad stop can be told apart from {FEWEST} stops on,"
        " better from 5, on both sides of square, of which it is measured which way each leans; so"
        f" far this is known of {count}. The gap of a closed frame does not show which way."
    )


_NOTHING: Final = (
    "The errors of the stops are no more than measuring explains: nothing needs to be mended."
)
_NOT_TOLD: Final = (
    "The stops are off by more than measuring explains, but it is not told whether it is the zero,"
    " the scale or one stop: measure more strips at each stop, or more stops."
)
_NO_PATTERN: Final = (
    "The errors follow no line, and no single stop explains them: each stop is off by itself. Mend"
    " the one that is farthest off for its work first."
)


def _as_it_stood(names: Sequence[str]) -> str:
    return (
        f"How the machine returns is not known at {', '.join(names)}: this is how the stops stood"
        " when they were measured. Before you mend anything, swing the machine away and back and"
        " measure again; what is then elsewhere comes from returning."
    )


def _more(stops: Sequence[StopError], parts: set[int]) -> str:
    """What else may be wrong, where what is told does not explain all. parts: columns."""
    names = [stops[part - _STOPS].name for part in sorted(parts) if part >= _STOPS]
    which = [word for part, word in ((_ZERO, "the zero"), (_SCALE, "the scale")) if part in parts]
    if names:
        which.append(f"one stop by itself ({' or '.join(names)})")
    more = ", or ".join(which)
    return (
        f"There is more beside that: it may be {more}. Measure more strips at each stop, or more "
        "stops, to tell."
    )


def _said(stops: Sequence[StopError], values: Mapping[int, Fitted]) -> StopMap:
    zero, scale = values.get(_ZERO), values.get(_SCALE)
    at = next((column for column in values if column >= _STOPS), None)
    bad = None if at is None else values[at]
    name = None if at is None else stops[at - _STOPS].name
    parts: list[str] = []
    if zero is not None:
        shown = plus_minus_text(zero.value, zero.expanded, "rad")
        parts.append(
            f"The zero is wrong: all stops lean to the {_side(zero.value)} by {shown} together."
            " Mend it first: setting the machine square moves every stop with it."
        )
    if scale is not None:
        per = number(abs(scale.value) * 10, 3)
        side = "more" if scale.value > 0 else "less"
        first = "Mend it first" if zero is None else "Mend it next"
        parts.append(
            f"The scale is wrong: {per} degrees {side} than it says for every 10 degrees. {first}:"
            " the plate or scale that holds the stops, or what moves the arm; at square it changes"
            " nothing."
        )
    if bad is not None:
        then = "Mend this stop alone" if zero is None and scale is None else "Then mend this stop"
        parts.append(
            f"{name} is off by itself: it leans to the {_side(bad.value)} by"
            f" {size_text(bad.value, 'rad', bad.expanded)} beside the others. {then}, and leave"
            " the others."
        )
    first_of: Literal["zero", "scale", "stop"] = "stop"
    if scale is not None:
        first_of = "scale"
    if zero is not None:
        first_of = "zero"
    return StopMap("pattern", zero, scale, bad, name, first_of, " ".join(parts))


def _side(value: float) -> str:
    return "right" if value > 0 else "left"
