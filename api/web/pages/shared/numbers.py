"""Numbers as a page shows them: marked, so that `units.js` can show them in other units.

The digits are those that the uncertainty supports (JCGM 100:2008, 7.2.6); without one, three
decimals for degrees and two for mm.
"""

from __future__ import annotations

import math
from datetime import datetime
from typing import Final, Literal

from markupsafe import Markup

from analysis.sentences import decimals_for, number

Unit = Literal["deg", "mm"]

_SHOWN: Final[dict[str, tuple[str, str, int]]] = {"deg": ("ang", "°", 3), "mm": ("len", " mm", 2)}
_NONE: Final = Markup("–")


def size(
    value: float | None, unit: Unit, uncertainty: float | None = None, *, sign: bool = False
) -> Markup:
    """`value` in degrees or mm; a dash for None. `sign`: a plus is shown too."""
    if value is None or not math.isfinite(value):
        return _NONE
    kind, word, usual = _SHOWN[unit]
    decimals = decimals_for(uncertainty) if uncertainty else usual
    shown = number(abs(value), decimals)
    zero = float(shown) == 0
    before = "" if zero else "−" if value < 0 else "+" if sign else ""
    return Markup('<data class="{}" value="{!r}"{}{}>{}{}{}</data>').format(
        kind,
        value,
        Markup(' data-u="{!r}"').format(uncertainty) if uncertainty else "",
        Markup(' data-sign=""') if sign else "",
        before,
        shown,
        word,
    )


def with_uncertainty(
    value: float | None, uncertainty: float | None, unit: Unit, *, sign: bool = False
) -> Markup:
    """ "0.052° ± 0.011°"; the value alone where the uncertainty is None."""
    if value is None or uncertainty is None:
        return size(value, unit, uncertainty, sign=sign)
    return Markup('<span class="with-u">{} ± {}</span>').format(
        size(value, unit, uncertainty, sign=sign), size(uncertainty, unit, uncertainty)
    )


def day(moment: datetime, *, time: bool = False) -> Markup:
    """The day (and the time) at the place of the server: "2 March 2026, 09:05"."""
    local = moment.astimezone()
    shown = f"{local.day} {local:%B %Y}" + (f", {local:%H:%M}" if time else "")
    return Markup('<time datetime="{}">{}</time>').format(moment.isoformat(), shown)
