"""The sentences of a score: size, direction, uncertainty and verdict.

Each sentence fits on a phone and can be read aloud. A value has the digits that its expanded
uncertainty supports: the uncertainty to two significant digits, the value to the same decimal
(JCGM 100:2008, 7.2.6). Angles are given in radians and shown in degrees and as a taper.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Final, Literal

from analysis.units import MM_PER_INCH, Unit

if TYPE_CHECKING:
    from analysis.spread import OwnScatter

MeasureUnit = Literal["degrees", "mm", "in", "thou", "mm per 300 mm", "thou per foot"]

_MOST_DECIMALS: Final = 6
_LAST_DIGIT: Final = "within the caliper's last digit"


@dataclass(frozen=True, slots=True)
class Measure:
    """A number within a sentence, so that it can be converted to another unit.

    value, and uncertainty (expanded; None where the sentence gives none), in `unit`; decimals:
    the number to show in that unit. As text: "0.052 ± 0.011 degrees".
    """

    value: float
    uncertainty: float | None
    unit: MeasureUnit
    decimals: int

    def __str__(self) -> str:
        sure = "" if self.uncertainty is None else f" ± {number(self.uncertainty, self.decimals)}"
        return f"{number(self.value, self.decimals)}{sure} {self.unit}"


class Sentence(str):
    """A sentence with its measures: `parts`, joined as text, are the sentence itself."""

    parts: tuple[str | Measure, ...]

    def __new__(cls, *pieces: str | Measure) -> Sentence:
        """Joins texts, measures and other sentences."""
        made = super().__new__(cls, "".join(map(str, pieces)))
        made.parts = tuple(
            part
            for piece in pieces
            for part in (piece.parts if isinstance(piece, Sentence) else (piece,))
            if part != ""
        )
        return made


class Led(str):
    """A sentence whose first words, `lead`, say most of it; `joint` joins them to the `rest`."""

    lead: str
    joint: str
    rest: str

    def __new__(cls, lead: str, joint: str, rest: str) -> Led:
        made = super().__new__(cls, lead + joint + rest)
        made.lead, made.joint, made.rest = lead, joint, rest
        return made


def decimals_for(uncertainty: float) -> int:
    """Decimals at which `uncertainty` shows two significant digits; 0 to 6."""
    if not uncertainty > 0 or not math.isfinite(uncertainty):
        return _MOST_DECIMALS
    decimals = 1 - math.floor(math.log10(uncertainty))
    # 0.0996 shown to two digits is 0.10: one decimal fewer.
    if float(f"{uncertainty:.1e}") >= 10 ** (2 - decimals):
        decimals -= 1
    return min(max(decimals, 0), _MOST_DECIMALS)


def number(value: float, decimals: int) -> str:
    """`value` with `decimals`, never "-0.00"."""
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def with_uncertainty(value: float, expanded: float, unit: MeasureUnit) -> Measure:
    """ "0.052 ± 0.011 degrees": value and expanded uncertainty with matching digits."""
    return Measure(value, expanded, unit, decimals_for(expanded))


def taper(angle_rad: float, expanded_rad: float = 0.0, unit: Unit = "mm") -> Measure:
    """The angle as a taper: mm per 300 mm, or thou per foot (12000 tan); without a sign.

    With the digits that the uncertainty supports, at most three decimals.
    """
    factor, words, most = _TAPERS[unit]
    decimals = min(decimals_for(factor * expanded_rad), most)
    return Measure(abs(factor * math.tan(angle_rad)), None, words, decimals)


_TAPERS: Final[dict[Unit, tuple[float, MeasureUnit, int]]] = {
    "mm": (300.0, "mm per 300 mm", 3),
    "in": (12000.0, "thou per foot", 1),
}


def length(value_mm: float, expanded_mm: float, unit: Unit = "mm") -> Measure:
    """A length with its uncertainty in the unit asked for."""
    per = 1.0 if unit == "mm" else MM_PER_INCH
    return with_uncertainty(value_mm / per, expanded_mm / per, unit)


def short_length(value_mm: float, unit: Unit = "mm") -> Measure:
    """A small length to two significant digits, such as a standard deviation."""
    value = value_mm if unit == "mm" else value_mm / MM_PER_INCH
    return Measure(value, None, unit, decimals_for(abs(value)) if value else 2)


def plain(value: float, digits: int = 6) -> str:
    """A number with at most so many significant digits, without trailing zeros, never with an
    exponent: "0.000058", "1200000"."""
    written = f"{value:.{digits}g}"
    return f"{Decimal(written).normalize():f}" if math.isfinite(value) else written


def rounded(value: float, unit: MeasureUnit, digits: int = 2) -> Measure:
    """A number without uncertainty, with `digits` significant digits and no trailing zeros."""
    shown = Decimal(f"{value:.{digits}g}")
    exponent = shown.as_tuple().exponent
    assert isinstance(exponent, int)  # a size is finite
    return Measure(float(shown), None, unit, max(0, -exponent))


def verdict_for(verdict: str | None, work: str | None) -> str | None:
    """ "good enough for picture frames": a verdict with the name of its work, where it has one."""
    return verdict if verdict is None or work is None else f"{verdict} for {work}"


def cuts(n: int, noun: str = "strip") -> str:
    """ "1 strip", "5 strips"."""
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"


def times(n: int) -> str:
    """ "twice", "3 times"."""
    return "twice" if n == 2 else f"{n} times"


def capital(text: str) -> str:
    """The text with its first letter as a capital."""
    return text[:1].upper() + text[1:]


def direction(value: float, expanded: float, toward: tuple[str, str]) -> str:
    """The direction of a value, in words; with "if at all" where it may be either.

    A value below a billionth of its uncertainty is a rounding error and has no direction.
    """
    if not any(toward) or abs(value) <= 1e-9 * expanded or value == 0:
        return "it leans neither way" if any(toward) else ""
    words = toward[0] if value > 0 else toward[1]
    return words if abs(value) > expanded else f"{words}, if at all"


def angle_sentence(
    mean_rad: float,
    expanded_rad: float,
    toward: tuple[str, str],
    trials: int,
    verdict: str | None,
    unit: Unit = "mm",
    noun: str = "strip",
) -> Sentence:
    """ "The open end of the cut leans to the right by 0.052 ± 0.011 degrees (0.27 mm per 300 mm).
    At 95 %, from 5 strips: needs adjusting." noun: what the method calls one trial."""
    degrees = with_uncertainty(math.degrees(abs(mean_rad)), math.degrees(expanded_rad), "degrees")
    which = direction(mean_rad, expanded_rad, toward)
    return Sentence(
        f"{capital(which)}: " if which else "",
        degrees,
        " (",
        taper(mean_rad, expanded_rad, unit),
        f"), at 95 %, from {cuts(trials, noun)}: {verdict or 'give a tolerance for a verdict'}.",
    )


def length_sentence(
    mean_mm: float,
    expanded_mm: float,
    sd_mm: float | None,
    trials: int,
    verdict: str | None,
    unit: Unit = "mm",
    noun: str = "strip",
) -> Sentence:
    """The mean length, how well it repeats, and the verdict."""
    spread = Sentence("")
    if sd_mm == 0:
        spread = Sentence(f", repeating {_LAST_DIGIT}")
    elif sd_mm is not None:
        spread = Sentence(", repeating to ", short_length(sd_mm, unit), " (one standard deviation)")
    return Sentence(
        length(mean_mm, expanded_mm, unit),
        " at 95 %",
        spread,
        f", from {cuts(trials, noun)}: {verdict or 'give a tolerance for a verdict'}.",
    )


STUDY_HOW: Final = (
    "For that, press 10 times on one marked spot and take the caliper away each time: a minute, "
    "by the method Same spot."
)


def scatter_sentence(
    sd: float,
    own: OwnScatter,
    unit: Literal["rad", "mm"],
    shown_in: Unit,
    *,
    of_cuts: bool = True,
    trials: str = "Strips",
) -> Sentence:
    """Where the scatter comes from: the machine, or caliper and hand.

    sd: standard deviation over trials; own: of the machine's single cuts; both in `unit`. Lengths
    are shown in `shown_in`. of_cuts: whether the method cuts at all. trials: which ones.
    """

    def size(value: float) -> Measure:
        if unit == "mm":
            return short_length(value, shown_in)
        degrees = math.degrees(value)
        return Measure(degrees, None, "degrees", decimals_for(degrees) if degrees else 3)

    spread = Sentence(f"{trials} scatter by ", size(sd), " (one standard deviation)")
    low, most = size(own.interval.low), size(own.interval.high)
    one = " for a single cut" if of_cuts else ""
    if own.sd is None and own.hidden:
        return Sentence(
            spread,
            ". The machine's own scatter is at most ",
            most,
            f"{one}; how much of it is caliper and hand, only a study of them shows. ",
            STUDY_HOW,
        )
    if own.sd is None:
        return Sentence(
            spread,
            ", more than caliper and hand explain. The machine's own scatter is ",
            low,
            " to ",
            most,
            f"{one}, at 95 %; only a study of caliper and hand narrows that. ",
            STUDY_HOW,
        )
    if own.sd == 0:
        return Sentence(
            spread,
            ", no more than caliper and hand explain. They hide the machine's own scatter, which "
            "is at most ",
            most,
            f"{one}.",
        )
    if own.hidden:
        return Sentence(
            spread,
            ". The machine's own scatter may be ",
            size(own.sd),
            f"{one}, but caliper and hand could explain it all; it is at most ",
            most,
            ".",
        )
    return Sentence(
        spread,
        ". The machine's own scatter is ",
        size(own.sd),
        f"{one} (",
        low,
        " to ",
        most,
        ", at 95 %); the rest is caliper and hand.",
    )


def repeatability_sentence(sd_mm: float | None, readings: int, unit: Unit = "mm") -> Sentence:
    """How well caliper and hand repeat on one spot."""
    if sd_mm is None:
        return Sentence(
            "Read the same spot at least twice to see how well caliper and hand repeat."
        )
    if sd_mm == 0:
        return Sentence(
            f"All {readings} readings are alike: caliper and hand repeat {_LAST_DIGIT}."
        )
    return Sentence(
        "Caliper and hand repeat to ",
        short_length(sd_mm, unit),
        f" (one standard deviation of a reading), from {cuts(readings, 'reading')}.",
    )


def unknown_block_sentence(
    mean_mm: float, expanded_mm: float, trials: int, unit: Unit = "mm"
) -> Sentence:
    """The reading of a block without a stated size, and what is missing to judge the caliper."""
    return Sentence(
        "The block reads ",
        length(mean_mm, expanded_mm, unit),
        f", at 95 %, from {cuts(trials, 'reading')}: give the block's stated size to see how far "
        "it is off.",
    )


def block_sentence(
    offset_mm: float, expanded_mm: float, trials: int, unit: Unit = "mm"
) -> Sentence:
    """How far the caliper reads off a known block."""
    way = "long" if offset_mm > 0 else "short"
    maybe = "" if abs(offset_mm) > expanded_mm else ", if at all"
    return Sentence(
        "The caliper reads ",
        length(abs(offset_mm), expanded_mm, unit),
        f" too {way}{maybe}, at 95 %, from {cuts(trials, 'reading')}.",
    )
