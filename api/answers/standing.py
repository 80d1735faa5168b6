"""How a machine stands today: what is known of it, how old that is, and whether it still holds."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any, Final, Literal
from uuid import UUID

from sqlalchemy import Row

from analysis import sentences
from analysis.conformity import ADJUST, GOOD, UNKNOWN, Verdict
from analysis.methods import METHODS, Quantity, Relation, Side, steps_for
from api.answers.checks import Check, CheckedSeries
from api.answers.moments import ago, day
from api.web.shapes import Out

_RANK: Final[dict[Verdict | None, int]] = {ADJUST: 0, UNKNOWN: 1, None: 2, GOOD: 3}

KIND_WORDS: Final[dict[str, str]] = {
    "swung and back": "swung to an angle and back to its stop",
    "adjusted": "adjusted",
    "blade changed": "given another blade",
    "moved": "moved",
    "cleaned": "cleaned",
    "other": "changed in some other way",
}
"""What happened to a machine, in words that follow "it was"."""


@dataclass(frozen=True, slots=True)
class Known:
    """What one series tells of a machine. half: of the fence, where the method judges one."""

    series: CheckedSeries
    check: Check
    half: Side | None

    @property
    def sentence(self) -> str:
        """Which way it leans, how far, how sure, and the verdict."""
        check, unit = self.check, self.series.row.unit
        if check.quantity == "length":
            return sentences.length_sentence(
                check.mean, check.expanded, check.sd, check.trials, check.verdict, unit
            )
        return sentences.angle_sentence(
            check.mean, check.expanded, self.relation.toward, check.trials, check.verdict, unit
        )

    @property
    def at(self) -> datetime:
        found: datetime = self.series.row.started_at
        return found

    @property
    def relation(self) -> Relation:
        found = METHODS[self.series.row.method].relation(self.check.quantity)
        assert found is not None  # a check is made of a quantity that its method reveals
        return found

    @property
    def off(self) -> float:
        """How far it is from nominal, in radians or mm; the length itself without a nominal."""
        tolerance = self.check.tolerance
        if self.check.quantity != "length" or tolerance is None:
            return self.check.mean
        return self.check.mean - (tolerance.low + tolerance.high) / 2


@dataclass(frozen=True, slots=True)
class Standing:
    """known: the headline first (what asks most for something to be done, then the latest), one
    for each thing that is checked. changed: the setup change since which nothing was measured."""

    known: tuple[Known, ...]
    changed: Row[Any] | None
    now: datetime

    @property
    def verdict(self) -> Verdict | None:
        """Of the headline; None where nothing was measured since a setup change."""
        return self.known[0].check.verdict if self.known and self.changed is None else None

    @property
    def age(self) -> str:
        """ "checked 12 days ago (3 March 2026)"; empty where nothing is known."""
        if not self.known:
            return ""
        return f"checked {ago(self.known[0].at, self.now)} ({day(self.known[0].at)})"

    @property
    def caveat(self) -> str:
        """Why what is known no longer holds; empty where it does."""
        if self.changed is None or not self.known:
            return ""
        happened = KIND_WORDS.get(self.changed.kind, self.changed.kind)
        return (
            f"Since then it was {happened} ({day(self.changed.at)}) and not measured again: "
            "how it stands now is not known."
        )

    @property
    def sentence(self) -> str:
        """The whole in words, with the age of what is known."""
        if not self.known:
            return "Not checked yet: start a series on the Bench page."
        told = [self.known[0].sentence, f"{sentences.capital(self.age)}."]
        return " ".join([*told, self.caveat] if self.caveat else told)


class StandingOut(Out):
    """How it stands; verdict null where there is none or it no longer holds.

    setup_change: the one since which nothing was measured.
    """

    sentence: str
    verdict: Literal["good enough", "needs adjusting", "cannot tell yet"] | None
    series: UUID | None
    quantity: str | None
    checked_at: datetime | None
    setup_change: UUID | None


@cache
def half_judged(method: str, strip_side: Side) -> Side | None:
    """The half of the fence that a series judges; None where it is both, or none.

    Read off the method's steps: the board stays on one side of the blade throughout.
    """
    follows = METHODS[method]
    if not follows.sided:
        return None
    sides = {s.board_side for s in steps_for(follows, strip_side) if s.board_side is not None}
    return sides.pop() if len(sides) == 1 else None


def known_of(series: CheckedSeries, quantity: Quantity) -> Known | None:
    """What the series tells of `quantity`; None where it tells nothing."""
    check = series.checks.get(quantity)
    if check is None:
        return None
    half = half_judged(series.row.method, series.row.strip_side) if quantity == "angle" else None
    return Known(series, check, half)


def standing(
    series: Iterable[CheckedSeries], changes: Sequence[Row[Any]], now: datetime
) -> Standing:
    """How the machine stands, from its series (any order) and its setup changes (oldest first)."""
    newest: dict[tuple[object, ...], Known] = {}
    for of in sorted(series, key=lambda s: (s.row.started_at, s.id)):
        for quantity in of.checks:
            known = known_of(of, quantity)
            if known is not None:
                # Two methods that look at the same lean tell of the same thing.
                newest[(quantity, known.relation.toward, known.half)] = known
    changed = changes[-1] if changes else None
    if changed is not None:
        after = {key: known for key, known in newest.items() if known.at >= changed.at}
        if after:
            newest, changed = after, None
    ranked = sorted(
        newest.values(), key=lambda k: (_RANK[k.check.verdict], -k.at.timestamp(), k.half or "")
    )
    return Standing(tuple(ranked), changed if ranked else None, now)


def standing_out(found: Standing) -> StandingOut:
    """The same as it goes out."""
    first = found.known[0] if found.known else None
    return StandingOut(
        sentence=found.sentence,
        verdict=found.verdict,
        series=first.series.id if first else None,
        quantity=first.check.quantity if first else None,
        checked_at=first.at if first else None,
        setup_change=None if found.changed is None else found.changed.id,
    )


def outward(value: float, quantity: Quantity) -> float:
    """Degrees for an angle or a tilt in radians, millimetres as they are."""
    return value if quantity == "length" else math.degrees(value)
