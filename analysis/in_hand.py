"""What to do about a doubtful trial at once, while its strip is still in the hand.

A doubt is said at the bench where it is about the newest strip, or where the newest strip has
raised it; later it is on the series' page alone. One short sentence says what is, and what to do;
the acts are those of `POST /api/series/{id}/trials/{number}/...` and of the readings.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from analysis.sentences import Measure, Sentence

Act = Literal["swap ends", "measure again", "leave out", "begin again", "other side"]
"""swap ends, leave out: of the trials; measure again: take all readings of the newest trial back;
begin again: leave the trials out, and take back what is read of the next one, so that the strip in
the hand is read from its first place on; other side: correct to which side the strip fell."""

_TURN: Final = "look at how the board is turned between the cuts, and cut one more"
_NO_CUT: Final = "look at how it is measured, and measure one more"


@dataclass(frozen=True, slots=True)
class Now:
    """What to do at once. trials: those that the acts are done to, numbered from 1."""

    sentence: Sentence
    trials: tuple[int, ...]
    acts: tuple[Act, ...]


@dataclass(frozen=True, slots=True)
class Strips:
    """The doubtful ones of a series by their numbers, and what the method calls one of them."""

    numbers: tuple[int, ...]
    newest: int
    noun: str

    @property
    def in_hand(self) -> bool:
        """Whether the newest is among them."""
        return self.newest in self.numbers

    def __str__(self) -> str:
        """ "Strip 4", "Strips 2 and 3", "Strips 2 to 5"."""
        noun, numbers = self.noun.capitalize(), self.numbers
        if len(numbers) == 1:
            return f"{noun} {numbers[0]}"
        if len(numbers) > 2 and numbers[-1] - numbers[0] == len(numbers) - 1:
            return f"{noun}s {numbers[0]} to {numbers[-1]}"
        return f"{noun}s {', '.join(map(str, numbers[:-1]))} and {numbers[-1]}"

    @property
    def them(self) -> str:
        return "it" if len(self.numbers) == 1 else "them"


def swapped(strips: Strips, ends: tuple[str, str], *, half: bool) -> Now:
    """half: half of all lean one way and half the other, so that none is the odd one."""
    mixed = f"{ends[0]} and {ends[1]}"
    if half:
        noun, newest = strips.noun, strips.newest
        return Now(
            Sentence(
                f"Half of the {noun}s lean one way, half the other, by the same size: look at the "
                f"ends of {noun} {newest}, and swap them if they were mixed up."
            ),
            (newest,),
            ("swap ends",),
        )
    says = "leans" if len(strips.numbers) == 1 else "lean"
    return Now(
        Sentence(
            f"{strips} {says} the other way by the same size: if {mixed} were mixed up, swap them."
        ),
        strips.numbers,
        ("swap ends",),
    )


def edges_swapped(strips: Strips) -> Now:
    return _again(strips, "lower and upper edge seem to be mixed up")


def other_unit(strips: Strips) -> Now:
    return _again(strips, "25.4 times off, as between inches and mm. Look at the caliper's unit")


def outlier(strips: Strips) -> Now:
    return _again(strips, "far from the others")


def _again(strips: Strips, what: str) -> Now:
    """Measure the newest strip again; one that is no longer at hand can only be left out."""
    if strips.in_hand:
        return Now(
            Sentence(
                f"{strips}: {what}. Measure {strips.noun} {strips.newest} again; if it reads the "
                "same, cut one more."
            ),
            (strips.newest,),
            ("measure again", "leave out"),
        )
    return Now(
        Sentence(f"{strips}: {what}. Leave {strips.them} out if you know why, and cut one more."),
        strips.numbers,
        ("leave out",),
    )


def shifted(strips: Strips, first_place: str) -> Now:
    """strips: from the first shifted one to the newest."""
    noun = strips.noun
    return Now(
        Sentence(
            f"From {noun} {strips.numbers[0]} on, readings are paired with the next {noun}'s: leave"
            f" {str(strips).lower()} out, and begin again with the {first_place} of the {noun} in"
            " your hand."
        ),
        strips.numbers,
        ("begin again",),
    )


def near_zero(strips: Strips, found: Measure) -> Now:
    """found: elsewhere, or before."""
    return Now(
        Sentence(
            f"Every {strips.noun} reads near zero, where ",
            found,
            f" was found before: {_next(strips)}.",
        ),
        strips.numbers,
        (),
    )


def other_sign(strips: Strips) -> Now:
    return Now(
        Sentence(
            f"The size is the one found before, with the other sign: if the {strips.noun} fell to "
            f"the other side of the blade, correct that; else {_next(strips)}."
        ),
        strips.numbers,
        ("other side",),
    )


def _next(strips: Strips) -> str:
    return _TURN if strips.noun == "strip" else _NO_CUT
