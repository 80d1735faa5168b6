"""The state of a machine: what is known of it, how old that is, and whether it still applies."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection, Row

from analysis import sentences
from analysis.conformity import ADJUST, GOOD, UNKNOWN, Verdict
from analysis.halves import half_judged
from analysis.methods import Quantity, Relation, Side
from api.answers import checks
from api.answers.checks import Check, CheckedSeries
from api.answers.moments import ago, day
from api.store.rows import machines as rows
from api.store.stamps import now

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
class KnownCheck:
    """What one series says of a machine. half: of the fence, where the method judges one."""

    series: CheckedSeries
    check: Check
    half: Side | None

    @property
    def sentence(self) -> str:
        """Which way it leans, how far, how sure, and the verdict."""
        by_earlier = self.check.judged.by_earlier
        return f"{self._result} {by_earlier}" if by_earlier else self._result

    @property
    def _result(self) -> str:
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
        found = self.series.facts.method.relation(self.check.quantity)
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
class MachineState:
    """known: the headline first (what asks most for something to be done, then the latest), one
    for each thing that is checked. changed: the setup change since which nothing was measured."""

    known: tuple[KnownCheck, ...]
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
        """Why what is known may no longer apply; empty where it does."""
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
        parts = [self.known[0].sentence, f"{sentences.capital(self.age)}."]
        return " ".join([*parts, self.caveat] if self.caveat else parts)


def known_of(series: CheckedSeries, quantity: Quantity) -> KnownCheck | None:
    """What the series says of `quantity`; None where it says nothing."""
    check = series.checks.get(quantity)
    if check is None:
        return None
    half = half_judged(series.facts.method, series.row.strip_side) if quantity == "angle" else None
    return KnownCheck(series, check, half)


def all_known(series: CheckedSeries) -> list[KnownCheck]:
    """What the series says, quantity by quantity."""
    return [known for q in series.checks if (known := known_of(series, q)) is not None]


def worst(known: Iterable[KnownCheck]) -> Verdict | None:
    """The verdict that asks most for something to be done; None where there is none."""
    given = (k.check.verdict for k in known if k.check.verdict is not None)
    return min(given, key=_RANK.__getitem__, default=None)


def machine_states(connection: Connection) -> list[tuple[Row[Any], MachineState]]:
    """The row of each machine, by name, and how it is."""
    of_machine: dict[UUID, list[CheckedSeries]] = defaultdict(list)
    for series in checks.latest(connection):
        of_machine[series.row.machine_id].append(series)
    moment = now()
    changes = rows.latest_changes(connection)
    return [
        (row, machine_state(of_machine.get(row.id, ()), changes.get(row.id, ()), moment))
        for row in rows.machines(connection)
    ]


def machine_state(
    series: Iterable[CheckedSeries], changes: Sequence[Row[Any]], moment: datetime
) -> MachineState:
    """How the machine is at `moment`, from its series (in any order) and its setup changes (the
    oldest first)."""
    newest: dict[tuple[object, ...], KnownCheck] = {}
    for of in sorted(series, key=lambda s: (s.row.started_at, s.id)):
        for known in all_known(of):
            # Two methods that show the same lean check the same thing.
            newest[(known.check.quantity, known.relation.toward, known.half)] = known
    changed = changes[-1] if changes else None
    if changed is not None:
        after = {key: known for key, known in newest.items() if known.at >= changed.at}
        if after:
            newest, changed = after, None
    ranked = sorted(
        newest.values(), key=lambda k: (_RANK[k.check.verdict], -k.at.timestamp(), k.half or "")
    )
    return MachineState(tuple(ranked), changed if ranked else None, moment)
