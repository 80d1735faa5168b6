"""Quantiles and probabilities of the usual distributions, by scipy.special.

scipy.special needs a third of the import time and memory of scipy.stats and has the
same routines. It is imported on first use, so that `import analysis` is quick.
All functions take a float (or an array where the type allows it) and return a float or array;
`p` is a lower-tail probability in (0, 1) and `df` a number of degrees of freedom > 0,
which may be fractional or, for Student's t, infinite.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import overload

import numpy as np
from numpy.typing import NDArray


def reached(rising: Callable[[float], float], level: float, low: float, high: float) -> float:
    """Where an increasing function reaches `level` between low and high, by bisection to the last
    bits; for functions without a known inverse."""
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if rising(middle) < level else (low, middle)
    return (low + high) / 2


def normal(p: float) -> float:
    """Quantile of the standard normal distribution."""
    from scipy import special

    return float(special.ndtri(p))


def digamma(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """The derivative of ln gamma(x)."""
    from scipy import special

    return np.asarray(special.psi(x))


def trigamma(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Its second derivative: the variance of ln chi-square with 2 x degrees of freedom."""
    from scipy import special

    return np.asarray(special.polygamma(1, x))


def tetragamma(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """The derivative of trigamma."""
    from scipy import special

    return np.asarray(special.polygamma(2, x))


def normal_probability(z: float) -> float:
    """P(Z <= z) of the standard normal distribution."""
    from scipy import special

    return float(special.ndtr(z))


@overload
def student_t(p: float, df: float) -> float: ...
@overload
def student_t(p: float, df: NDArray[np.float64]) -> NDArray[np.float64]: ...
def student_t(p: float, df: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
    """Quantile of Student's t; the normal's where `df` is infinite."""
    from scipy import special

    found = special.stdtrit(df, p)
    return np.asarray(found) if isinstance(df, np.ndarray) else float(found)


def student_t_probability(t: float, df: float) -> float:
    """P(T <= t) of Student's t."""
    from scipy import special

    return float(special.stdtr(df, t))


def chi_square(p: float, df: float) -> float:
    """Quantile of chi-square."""
    from scipy import special

    return float(special.chdtri(df, 1 - p))


def f(p: float, df1: float, df2: float) -> float:
    """Quantile of Fisher's F with `df1` over `df2` degrees of freedom."""
    from scipy import special

    return float(special.fdtri(df1, df2, p))


def f_probability(x: float, df1: float, df2: float) -> float:
    """P(F <= x) of Fisher's F."""
    from scipy import special

    return float(special.fdtr(df1, df2, x))
