"""Numbers in a page, marked so that `units.js` can show them in the person's own units."""

from __future__ import annotations

from markupsafe import Markup

from analysis.sentences import decimals_for, number

# Digits shown where no uncertainty says how many are worth showing.
_USUAL_DEG, _USUAL_MM = 3, 2


def angle(deg: float, u: float | None = None) -> Markup:
    """ "0.052°": an angle, with the digits that the uncertainty `u` (degrees) supports."""
    return _data("ang", deg, u, "°", _USUAL_DEG)


def length(mm: float, u: float | None = None) -> Markup:
    """ "0.31 mm": a length, likewise."""
    return _data("len", mm, u, " mm", _USUAL_MM)


def quantity(value: float, unit: str, u: float | None = None) -> Markup:
    """An angle where `unit` is "deg", else a length."""
    return angle(value, u) if unit == "deg" else length(value, u)


def plus_minus(value: float, u: float, unit: str) -> Markup:
    """ "0.052° ± 0.011°": a value with its expanded uncertainty, digits matched."""
    return Markup('<span class="figure-pair">{} ± {}</span>').format(
        quantity(value, unit, u), quantity(u, unit, u)
    )


def _data(kind: str, value: float, u: float | None, word: str, usual: int) -> Markup:
    shown = number(value, decimals_for(u) if u else usual).replace("-", "−")
    if not u:
        return Markup('<data class="{}" value="{!r}">{}{}</data>').format(kind, value, shown, word)
    return Markup('<data class="{}" value="{!r}" data-u="{!r}">{}{}</data>').format(
        kind, value, u, shown, word
    )
