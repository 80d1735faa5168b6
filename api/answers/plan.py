"""How many trials, how wide a board, how fine a caliper to see an error of a given size."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

from analysis import planning, spread
from analysis.conversions import size_text
from analysis.methods import Method, Quantity, Relation
from analysis.one_trial import factor
from analysis.sentences import plain
from analysis.uncertainty import REPEATABILITY_MM
from analysis.units import NM_PER_MM, NM_PER_UNIT, Unit
from api.answers.comparable import ComparableSeries
from api.errors import InvalidField

_MM_PER: Final[dict[Unit, float]] = {u: nm / NM_PER_MM for u, nm in NM_PER_UNIT.items()}

CUTS: Final = (2, 3, 4, 5, 7, 10, 15, 20)
"""Numbers of trials that a person makes."""

# Boards, blanks' thicknesses, and joints of a shop; common practice, no source.
_BOARDS: Final[dict[Unit, tuple[float, ...]]] = {
    "mm": (100, 150, 200, 300, 450),
    "in": (4, 6, 8, 12, 18),
}
_THICKNESSES: Final[dict[Unit, tuple[float, ...]]] = {
    "mm": (12, 18, 25, 38, 50),
    "in": (0.5, 0.75, 1, 1.5, 2),
}


def methods_to_plan(methods: Mapping[str, Method]) -> list[Method]:
    """Those of `methods` that show an angle or a tilt of a machine."""
    return [m for m in methods.values() if m.judges == "machine" and m.relations[0].terms]


@dataclass(frozen=True, slots=True)
class Asked:
    """What is planned. Lengths in mm, angles in radians.

    width_mm: of what the method takes as its length (board, thickness, joint), with the
    jaws' `inset_mm` still to come off it.
    """

    method: Method
    error_rad: float
    width_mm: float
    unit: Unit = "mm"
    inset_mm: float = 0.0
    pieces: int | None = None
    cuts: int = 5
    reading_sd_mm: float = REPEATABILITY_MM
    resolution_mm: float = 0.01
    own_sd_rad: float = 0.0
    alpha: float = 0.05
    beta: float = 0.1
    two_series: bool = False

    @property
    def relation(self) -> Relation:
        """What the method reveals first."""
        return self.method.relations[0]

    @property
    def off_the_ends_mm(self) -> float:
        """How much of the width the jaws' inset takes off."""
        return 2 * self.inset_mm if self.relation.insets else 0.0

    @property
    def length_mm(self) -> float:
        """What counts of the width; zero or less where the inset leaves nothing."""
        return self.width_mm - self.off_the_ends_mm

    @property
    def trial_sd_rad(self) -> float:
        return planning.trial_sd(
            self.length_mm,
            reading_sd_mm=self.reading_sd_mm,
            resolution_mm=self.resolution_mm,
            own_sd_rad=self.own_sd_rad,
            factor=factor(self.method, self.relation, self.pieces),
            share=self.method.cut_share(self.pieces),
        )


@dataclass(frozen=True, slots=True)
class SeenTable:
    """The smallest error seen on widths[i] with cuts[j] is effects[j] of trial_sds_rad[i].

    effects: in standard deviations of a trial. trial_sds_rad: None where the jaws' inset leaves
    nothing of the width.
    """

    widths_mm: tuple[float, ...]
    cuts: tuple[int, ...]
    effects: tuple[float, ...]
    trial_sds_rad: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class Planned:
    """found: with the inset in its width. seen_rad: the smallest error that the cuts asked for see
    on the width asked for; power: their chance to see the error asked for."""

    asked: Asked
    found: planning.Plan
    seen_rad: float
    power: float
    sentences: tuple[str, ...]
    table: SeenTable


def own_sd(of: ComparableSeries, quantity: Quantity, reading_sd_mm: float) -> float:
    """The scatter of a machine's single cuts by themselves, in radians, from a series.

    It is the scatter of the trials without what caliper and hand add to each, by the study of the
    series' caliper or else as they are planned with, and at least zero. It holds for any method,
    however many cuts a trial of it averages.
    Raises InvalidField where the series does not show the quantity, or has fewer than two trials.
    """
    relation = of.method.relation(quantity)
    if relation is None or not relation.terms:
        raise InvalidField("series", f"does not show the {quantity}; choose one whose method does")
    found = spread.summary([value for _, value in of.counted(quantity)])
    if found.sd is None:
        raise InvalidField(
            "series", "has fewer than 2 strips, which show no scatter; choose another"
        )
    studied = of.whole.facts.repeatability_mm
    hand = planning.trial_sd(
        of.base_mm(relation),
        reading_sd_mm=(studied or reading_sd_mm) / math.sqrt(of.row.repeats),
        resolution_mm=of.resolution_mm,
        factor=factor(of.method, relation, of.row.pieces),
    )
    own = spread.own_scatter(found.sd, found.n, hand, share=of.method.cut_share(of.row.pieces)).sd
    assert own is not None  # a hand is given
    return own


def plan(asked: Asked) -> Planned:
    """The answer. Raises ValueError where the inset leaves nothing of the width."""
    if not asked.length_mm > 0:
        raise ValueError("inset: it leaves nothing of the width; give a smaller inset")
    found = planning.plan(
        asked.error_rad,
        length_mm=asked.length_mm,
        trials=asked.cuts,
        reading_sd_mm=asked.reading_sd_mm,
        resolution_mm=asked.resolution_mm,
        own_sd_rad=asked.own_sd_rad,
        factor=factor(asked.method, asked.relation, asked.pieces),
        share=asked.method.cut_share(asked.pieces),
        alpha=asked.alpha,
        beta=asked.beta,
        two_series=asked.two_series,
    )
    width = None
    if found.width_mm is not None:
        width = found.width_mm + asked.off_the_ends_mm
    found = replace(found, width_mm=width)
    seen = effect(asked, asked.cuts) * found.trial_sd_rad
    power = 1.0
    if found.trial_sd_rad > 0:
        power = planning.power(
            asked.error_rad / found.trial_sd_rad,
            asked.cuts,
            asked.cuts if asked.two_series else None,
            alpha=asked.alpha,
        )
    return Planned(
        asked=asked,
        found=found,
        seen_rad=seen,
        power=power,
        sentences=tuple(_sentences(asked, found, seen)),
        table=seen_table(asked, sorted({*CUTS, asked.cuts})),
    )


def seen_table(asked: Asked, cuts: Sequence[int]) -> SeenTable:
    """What each number of cuts sees on the usual widths, and on the one asked for."""
    usual = _THICKNESSES if asked.relation.over == "thickness" else _BOARDS
    widths = {round(w * _MM_PER[asked.unit], 9) for w in usual[asked.unit]} | {asked.width_mm}
    on = [replace(asked, width_mm=width) for width in sorted(widths)]
    return SeenTable(
        widths_mm=tuple(each.width_mm for each in on),
        cuts=tuple(cuts),
        effects=tuple(effect(asked, n) for n in cuts),
        trial_sds_rad=tuple(each.trial_sd_rad if each.length_mm > 0 else None for each in on),
    )


def effect(asked: Asked, cuts: int) -> float:
    """The smallest error seen, in standard deviations of a trial."""
    return _effect(cuts, asked.alpha, asked.beta, asked.two_series)


@lru_cache(maxsize=4096)
def _effect(cuts: int, alpha: float, beta: float, two_series: bool) -> float:
    return planning.effect_seen(cuts, alpha=alpha, beta=beta, two_series=two_series)


def _sentences(asked: Asked, found: planning.Plan, seen_rad: float) -> list[str]:
    """The answer in words, in the person's unit; the first says it all."""
    what = "a difference" if asked.two_series else "an error"
    error = size_text(asked.error_rad, "rad")
    each = " with each machine" if asked.two_series else ""
    board = _with_width(asked.method, length_text(asked.width_mm, asked.unit))
    nouns = f"{asked.method.noun}s"
    if found.cuts is None:
        first = f"No number of {nouns} up to 10000 shows {what} of {error} {board}."
    else:
        first = f"To see {what} of {error} {board}, make {found.cuts} {nouns}{each}."
    sentences = [first]
    if found.cuts is None or found.cuts > asked.cuts:
        sentences += _other_ways(asked, found)
    sentences.append(
        f"With {asked.cuts} {nouns}{each} {board} you see {what} of "
        f"{size_text(seen_rad, 'rad', seen_rad)} or more."
    )
    none, one = (
        ("pairs of like machines", "pairs")
        if asked.two_series
        else (
            "series of a true machine",
            "series",
        )
    )
    sentences.append(
        f"Of 100 {none}, {_in_a_hundred(asked.alpha)} still show {what} by chance; of 100 {one} "
        f"with {what} of that size, {_in_a_hundred(asked.beta)} miss it."
    )
    return sentences


def _other_ways(asked: Asked, found: planning.Plan) -> list[str]:
    sentences, nouns = [], f"{asked.method.noun}s"
    if found.width_mm is None:
        sentences.append(
            f"With {asked.cuts} {nouns} {_none_enough(asked.method)}: the machine itself scatters "
            "too much."
        )
    elif found.width_mm > asked.width_mm:
        needed = length_text(
            _up(found.width_mm / _MM_PER[asked.unit]) * _MM_PER[asked.unit], asked.unit
        )
        sentences.append(
            f"{asked.cuts} {nouns} are enough {_with_width(asked.method, needed)} or more."
        )
    if found.resolution_mm is not None and found.resolution_mm < asked.resolution_mm:
        step = length_text(found.resolution_mm, asked.unit, 2)
        sentences.append(
            f"So are {asked.cuts} {nouns} read with a caliper that shows {step} or finer."
        )
    elif found.width_mm is not None:
        sentences.append(
            "A caliper with finer steps alone would not do: the hand repeats no better."
        )
    return sentences


def _with_width(method: Method, length: str) -> str:
    """ "on a board 200 mm wide", or what else the method takes as its length."""
    if method.relations[0].over == "thickness":
        return f"on a board {length} thick"
    if method.relations[0].insets:
        return f"on a board {length} wide"
    return f"over a length of {length}"


def _none_enough(method: Method) -> str:
    if method.relations[0].over == "thickness":
        return "no board is thick enough"
    return "no board is wide enough" if method.relations[0].insets else "no length is enough"


def _up(value: float) -> float:
    """Up to three significant digits."""
    step = 10.0 ** (math.floor(math.log10(value)) - 2)
    return math.ceil(value / step - 1e-9) * step


def length_text(length_mm: float, unit: Unit, digits: int = 5) -> str:
    """ "203.2 mm", "8 in"."""
    return f"{length_mm / _MM_PER[unit]:.{digits}g} {unit}"


def _in_a_hundred(risk: float) -> str:
    return f"{plain(100 * risk, 3)}"
