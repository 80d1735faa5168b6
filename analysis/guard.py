"""Whether a reading, as it comes in, can hardly be right: asked while the strip is in the hand.

What the place should read is expected from the same strip's other readings, else from the strips
before it. A mistake is suspected where the reading, put right, fits that far better than as it was
sent, or where it lies outside of all that machine and board allow. An honest reading wrongly asked
costs one more press; a wrong one let through costs a wrong score.

The rates are those of `benchmarks.truth.guard`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

from analysis.expected import LOOK_BACK, Beside, Expected, Places, Read
from analysis.methods import Method
from analysis.uncertainty import HAND_BOUND_MM
from analysis.units import MM_PER_INCH, NM_PER_MM, NM_PER_UNIT, Unit, unit_text

Kind = Literal[
    "factor 10",
    "factor 25.4",
    "factor 100",
    "first digit lost",
    "last digit lost",
    "far off",
    "long ago",
]
CHANGED: Final[dict[int, str]] = {
    1: "A reading that can hardly be right is asked about as it comes in.",
    2: "So is one whose lost first digit left a zero before the point: 0.8220 for 1.8220.",
}
"""What each number of the rules changed, as a person reads it. A change of the rule adds a number
here."""
GUARD_RULES: Final = max(CHANGED)

LONG_AGO_S: Final = 12 * 3600
"""A series that heard nothing for so many seconds is not fed without a question."""

# So many lines show a caliper's decimals, and so many zeros that it does not leave them out: one
# alone may come from a setting that was changed since.
_LINES: Final = 10
_ZEROS: Final = 2


class Sent(NamedTuple):
    """A reading as it was sent: its exact length, the line, its unit."""

    nm: int
    sent: str
    unit: Unit


class Lines(NamedTuple):
    """What one caliper sent before in one unit: how many lines, those whose last decimal is a zero,
    and the fewest decimals of any.

    The caller keeps one for each caliper and unit, over as many series as it can, and adds each
    line once it counts: neither one that still waits or was taken back, nor what was typed or
    loaded. A caliper that leaves out zeros at the end never sends one.
    """

    n: int = 0
    zeros: int = 0
    fewest: int = 0

    def heard(self, line: str) -> Lines:
        """With one line more, as it was sent."""
        decimals = _decimals(line)
        fewest = min(self.fewest, len(decimals)) if self.n else len(decimals)
        return Lines(self.n + 1, self.zeros + decimals.endswith("0"), fewest)

    @property
    def fixed(self) -> bool:
        """Whether they show that it sends as many decimals with every line."""
        return self.n >= _LINES and self.zeros >= _ZEROS and self.fewest > 0


NO_LINES: Final = Lines()


@dataclass(frozen=True, slots=True)
class Question:
    """Why a reading waits. near_nm: what it should be near; None where its form or its moment is
    asked about. rules: the number of the rules by which it is asked."""

    kind: Kind
    near_nm: int | None = None
    beside: Beside = "strips"
    rules: int = GUARD_RULES


class Guard(Places):
    """The rule for the readings of one series."""

    def question(
        self,
        place: int,
        reading: Sent,
        strip: Read,
        earlier: Sequence[Read],
        lines: Lines = NO_LINES,
    ) -> Question | None:
        """What to ask about a reading of `place`, None where it may be right.

        strip: what was read of its strip before it; empty for nothing. earlier: the complete trials
        of the series that count, in order. lines: what the same caliper sent before in the same
        unit; none where the reading was typed or loaded.
        """
        if last_digit_lost(reading.sent, lines):
            return Question("last digit lost", None, "digits")
        value = reading.nm / NM_PER_MM
        expected = self.expected(place, value, strip, earlier[-LOOK_BACK:])
        if expected is None:
            return None
        kind, near = _mistake(value, reading, expected) or (None, 0.0)
        if kind is None and expected.far(value):
            kind, near = "far off", expected.peaks[0].at
        if kind is None:
            return None
        return Question(kind, round(near * NM_PER_MM), expected.beside)


def suspicious(guard: Guard, trials: Sequence[Sequence[Sent]]) -> list[tuple[int, int, Question]]:
    """The trials that the rule asks about in measurements written down before: the trial's index,
    that of the first reading asked about, and what is asked.

    trials: of one series in order, each with its readings in the order of the places, each place
    read equally often. Such a trial does not tell what is usual, unless the one before it is one
    too: then something else was cut from there on.
    """
    found: list[tuple[int, int, Question]] = []
    earlier: list[Read] = []
    for number, trial in enumerate(trials):
        repeats = len(trial) // len(guard.method.places)
        asked = _first_question(guard, trial, repeats, earlier)
        if asked is None or (found and found[-1][0] == number - 1):
            rest = range(0, len(trial), repeats)
            earlier.append([[each.nm for each in trial[at : at + repeats]] for at in rest])
        if asked is not None:
            found.append((number, *asked))
    return found


def _first_question(
    guard: Guard, trial: Sequence[Sent], repeats: int, earlier: Sequence[Read]
) -> tuple[int, Question] | None:
    strip: list[list[int]] = [[] for _ in guard.method.places]
    for index, reading in enumerate(trial):
        if question := guard.question(index // repeats, reading, strip, earlier):
            return index, question
        strip[index // repeats].append(reading.nm)
    return None


def last_digit_lost(sent: str, lines: Lines) -> bool:
    """Whether `sent` has fewer decimals than the caliper always sends."""
    return lines.fixed and len(_decimals(sent)) < lines.fewest


def same_again(before_nm: int, nm: int, count_nm: int) -> bool:
    """Whether two presses read the same size, so that the second one confirms the first.

    Within three standard deviations of the difference of two readings by the worst hand, and a
    count. More would not matter: what is kept is the second press, which differs by no more.
    """
    bound = 3 * math.sqrt(2) * HAND_BOUND_MM * NM_PER_MM + count_nm
    return abs(nm - before_nm) <= bound


def sentence(
    question: Question, reading: Sent, method: Method, place: int, asked_s: float = 0.0
) -> str:
    """What the page says while the reading waits: what is odd, and what to do.

    place: which place of the method it was sent for. asked_s: for `long ago`, the seconds for
    which the series heard nothing.
    """
    said = reading.sent.strip()
    if question.kind == "long ago":
        hours = round(asked_s / 3600)
        silent = f"{hours} hours" if hours < 48 else f"{round(hours / 24)} days"
        return (
            f"{said}? Nothing was measured here for {silent}. Keep measuring to go on, or begin a"
            " new series."
        )
    if question.near_nm is None:
        return f"{said}? This caliper has sent more decimals until now. Measure it again."
    near = unit_text(_rounded(question.near_nm, reading.unit), reading.unit)
    if question.beside == "strips":
        before = f"{said}? The last {method.noun}s were near {near}."
        if question.kind == "factor 25.4":
            # Left in the other unit, the caliper would say the same again.
            return f"{before} Look at the caliper's unit, then measure it again."
        return f"{before} Measure it again."
    if question.beside == "stated size":
        return f"{said}? The block is {near} {reading.unit}. Measure it again."
    where = method.places[place].label
    if question.beside == "same end":
        compared = f"{said}? The reading before at this place, {where}, was near {near}."
    else:
        compared = f"{said}? By what this {method.noun} read before, {where} is near {near}."
    undo = "close the jaws twice" if method.closed_jaws else "take both back"
    return (
        f"{compared} Measure it again; if the one before was wrong, {undo} and measure both again."
    )


def listed(question: Question, reading: Sent, method: Method, place: int) -> str:
    """What is said of a reading that `suspicious` found, in a list."""
    said, where = reading.sent.strip(), method.places[place].label
    near = unit_text(_rounded(question.near_nm or 0, reading.unit), reading.unit)
    if question.beside in ("other end", "same end"):
        # Either may be the wrong one.
        return (
            f"{where}: {said} does not go with what was read of the {method.noun} before it,"
            f" by which it is near {near} {reading.unit}"
        )
    known = "the block is" if question.beside == "stated size" else f"the {method.noun}s before are"
    return f"{where}: {said} can hardly be right; {known} near {near} {reading.unit}"


def _rounded(nm: int, unit: Unit) -> int:
    """To a tenth of a millimetre or a hundredth of an inch: what a reading is near."""
    step = 100_000 if unit == "mm" else 254_000
    return round(nm / step) * step


def _decimals(line: str) -> str:
    found = _DECIMALS.search(line)
    return found[1] if found else ""


_DECIMALS: Final = re.compile(r"[.,]([0-9]+)", re.ASCII)


def _mistake(value: float, reading: Sent, expected: Expected) -> tuple[Kind, float] | None:
    """The mistake that explains a reading far better than none does, and what it should be near."""
    as_sent = expected.as_sent(value)
    if as_sent is None:
        return None
    for mistakes in (_put_right(value, reading, expected), _other_wrong(value, reading, expected)):
        fits, kind, near = max(mistakes, default=(-1.0, "far off", 0.0))
        if fits >= expected.better * as_sent:
            return kind, near
    return None


_Mistakes = Iterator[tuple[float, Kind, float]]
"""How well a reading then fits, which mistake it was, and what the reading should be near."""


def _put_right(value: float, reading: Sent, expected: Expected) -> _Mistakes:
    """Mistakes in the reading itself."""
    density = expected.density
    for kind, factor in _FACTORS:
        yield density(value / factor) / factor, kind, value / factor
        yield density(value * factor) * factor, kind, value * factor
    digit = math.copysign(_before_first(reading), value)
    for at in {peak.at for peak in expected.peaks}:
        if 1 <= (lost := round((at - value) / digit)) <= 9:
            yield density(value + lost * digit), "first digit lost", value + lost * digit


def _other_wrong(value: float, reading: Sent, expected: Expected) -> _Mistakes:
    """Mistakes in the one reading of the other place: all that is expected here moves with it."""
    if (other := expected.other) is None:
        return
    density, near = expected.density, expected.peaks[0].at
    for kind, factor in _FACTORS:
        yield density(value - other / factor + other), kind, near
        yield density(value - other * factor + other), kind, near
    for power in range(3):
        digit = 10**power * NM_PER_UNIT[reading.unit] / NM_PER_MM
        if 0 <= other < digit:
            for at in {peak.at for peak in expected.peaks}:
                if 1 <= (lost := round((value - at) / digit)) <= 9:
                    yield density(value - lost * digit), "first digit lost", near


def _before_first(reading: Sent) -> float:
    """What a one before the first digit of the line would count, in mm."""
    found = _WHOLE.search(reading.sent)
    whole = found[1] if found else str(abs(reading.nm) // NM_PER_UNIT[reading.unit])
    # A zero is no digit of the size: 0.8220 may be what is left of 1.8220, as .8220 may.
    digits = len(whole.lstrip("0"))
    return float(10**digits * NM_PER_UNIT[reading.unit] / NM_PER_MM)


_WHOLE: Final = re.compile(r"(?<![0-9])([0-9]*)[.,][0-9]", re.ASCII)
_FACTORS: Final[tuple[tuple[Kind, float], ...]] = (
    ("factor 10", 10.0),
    ("factor 25.4", MM_PER_INCH),
    ("factor 100", 100.0),
)
