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
from api.answers import moments

Unit = Literal["deg", "mm"]

_SHOWN: Final[dict[str, tuple[str, str, int]]] = {"deg": ("ang", "°", 3), "mm": ("len", " mm", 2)}
_NONE: Final = Markup("–")


def size(
    value: float | None, unit: Unit, uncertainty: float | None = None, *, sign: bool = False
) -> Markup:
    """`value` in degrees or mm; a dash for None. `sign`: a plus is shown too."""
    if value is None or not math.isfinite(value):
        return _NONE
    shown = plain(value, unit, uncertainty, sign=sign)
    # Not by `Markup.format`, which costs five times as much: nothing here needs escaping, and a
    # long series shows a thousand numbers.
    u = f' data-u="{uncertainty!r}"' if uncertainty else ""
    plus = ' data-sign=""' if sign else ""
    return Markup(f'<data class="{_SHOWN[unit][0]}" value="{value!r}"{u}{plus}>{shown}</data>')


def plain(value: float, unit: Unit, uncertainty: float | None = None, *, sign: bool = False) -> str:
    """The same of a finite value without the mark-up, as words about a picture need it."""
    _, word, usual = _SHOWN[unit]
    decimals = decimals_for(uncertainty) if uncertainty else usual
    shown = number(abs(value), decimals)
    zero = float(shown) == 0
    before = "" if zero else "−" if value < 0 else "+" if sign else ""
    return f"{before}{shown}{word}"


def with_uncertainty(
    value: float | None, uncertainty: float | None, unit: Unit, *, sign: bool = False
) -> Markup:
    """ "0.052° ± 0.011°"; the value alone where the uncertainty is None."""
    if value is None or uncertainty is None:
        return size(value, unit, uncertainty, sign=sign)
    return Markup('<span class="with-u">{} ± {}</span>').format(
        size(value, unit, uncertainty, sign=sign), size(uncertainty, unit, uncertainty)
    )


def at_a_stop(value: float, uncertainty: float | None) -> Markup:
    """The angle itself that a stop cuts at, with its sign: in degrees whatever units are chosen,
    since nobody tells 45 degrees as a slope."""
    shown = with_uncertainty(value, uncertainty, "deg", sign=True)
    return Markup(shown.replace(' class="ang"', ""))


def degrees(text: str) -> str:
    """The angle of a stop, as it was given: "−22.5°"."""
    return f"{text.replace('-', '−')}°"


def day(moment: datetime, *, time: bool = False) -> Markup:
    """The day (and the time) at the place of the server: "2 March 2026, 09:05"."""
    shown = moments.minute(moment) if time else moments.day(moment)
    return Markup(f'<time datetime="{moment.isoformat()}">{shown}</time>')
