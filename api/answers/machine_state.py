"""The state of a machine: what is known of it, how old that is, and whether it still applies."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
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
from api.store.rows.stops import every_stop
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
    """What one series says of a machine. half: of the fence, where the method judges one. named:
    the machine has several stops, so that its sentence names this one."""

    series: CheckedSeries
    check: Check
    half: Side | None
    named: bool = False

    @property
    def sentence(self) -> str:
        """Which way it leans, how far, how sure, and the verdict; of which stop, where `named`."""
        by_earlier = self.check.judged.by_earlier
        found = f"{self._result} {by_earlier}" if by_earlier else self._result
        return f"{self.stop}: {found[:1].lower()}{found[1:]}" if self.named else found

    @property
    def stop(self) -> str:
        """The name of the stop that it was cut at."""
        found: str = self.series.row.stop
        return found

    @property
    def _result(self) -> str:
        check, unit = self.check, self.series.row.unit
        noun = self.series.facts.method.noun
        verdict = sentences.verdict_for(check.verdict, self.series.row.work)
        if check.quantity == "length":
            return sentences.length_sentence(
                check.mean, check.expanded, check.sd, check.trials, verdict, unit, noun
            )
        return sentences.angle_sentence(
            check.mean, check.expanded, self.relation.leans, check.trials, verdict, unit, noun
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

    @property
    def off_in_tolerances(self) -> float:
        """The same over half the width of its tolerance: 1 at a limit; 0 without a tolerance."""
        tolerance = self.check.tolerance
        if tolerance is None:
            return 0.0
        return abs(self.off) / ((tolerance.high - tolerance.low) / 2)


@dataclass(frozen=True, slots=True)
class MachineState:
    """known: the headline first (what asks most for something to be done; of what needs
    adjusting, what is off by the most of its tolerance; then the latest), one for each thing that
    is checked at each stop. changed: the setup change since which nothing was measured. stops: each
    stop by itself; none in the state of one stop."""

    known: tuple[KnownCheck, ...]
    changed: Row[Any] | None
    now: datetime
    stops: tuple[StopState, ...] = ()

    @property
    def verdict(self) -> Verdict | None:
        """Of the headline; None where nothing was measured since a setup change."""
        return self.known[0].check.verdict if self.known and self.changed is None else None

    @property
    def age(self) -> str:
        """ "checked 12 days ago (3 March 2026)"; empty where nothing is known."""
        if not self.known:
            return ""
        return _age(self.known[0].at, self.now)

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
        return aged(self.known[0].sentence, self.known[0].at, self.caveat, self.now)


def aged(found: str, at: datetime, caveat: str, moment: datetime) -> str:
    """What was found, how long ago that was at `moment`, and why it may no longer apply."""
    parts = [found, f"{sentences.capital(_age(at, moment))}."]
    return " ".join([*parts, caveat] if caveat else parts)


def _age(at: datetime, moment: datetime) -> str:
    return f"checked {ago(at, moment)} ({day(at)})"


@dataclass(frozen=True, slots=True)
class StopState:
    """A stop (a row of `tables.Stop`), and how the machine is there."""

    stop: Row[Any]
    state: MachineState


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
    return worst_of(k.check.verdict for k in known)


def worst_of(verdicts: Iterable[Verdict | None]) -> Verdict | None:
    """The same of verdicts."""
    given = (verdict for verdict in verdicts if verdict is not None)
    return min(given, key=_RANK.__getitem__, default=None)


def machine_states(connection: Connection) -> list[tuple[Row[Any], MachineState]]:
    """The row of each machine, by name, and how it is."""
    listed = rows.machines(connection)
    return list(zip(listed, states_of(connection, listed), strict=True))


def states_of(connection: Connection, machines: Sequence[Row[Any]]) -> list[MachineState]:
    """How each of these machines is."""
    of_machine: dict[UUID, list[CheckedSeries]] = defaultdict(list)
    for series in checks.latest(connection):
        of_machine[series.row.machine_id].append(series)
    moment = now()
    changes = rows.latest_changes(connection)
    stops: dict[UUID, list[Row[Any]]] = defaultdict(list)
    for stop in every_stop(connection):
        stops[stop.machine_id].append(stop)
    return [
        machine_state(of_machine.get(row.id, ()), changes.get(row.id, ()), moment, stops[row.id])
        for row in machines
    ]


def machine_state(
    series: Iterable[CheckedSeries],
    changes: Sequence[Row[Any]],
    moment: datetime,
    stops: Sequence[Row[Any]],
) -> MachineState:
    """How the machine is at `moment`, from its series (in any order), its setup changes (the oldest
    first) and its stops; series at others, which are retired, say nothing of how it is now."""
    at: dict[object, list[CheckedSeries]] = {same_stop(stop.name, stop): [] for stop in stops}
    for of in series:
        if (found := at.get(same_stop(of.row.stop, of.row))) is not None:
            found.append(of)
    whole = stop_state([of for found in at.values() for of in found], changes, moment)
    each = zip(stops, at.values(), strict=True)
    by_stop = tuple(StopState(stop, stop_state(found, changes, moment)) for stop, found in each)
    named = tuple(replace(known, named=len(stops) > 1) for known in whole.known)
    return replace(whole, known=named, stops=by_stop)


def same_stop(name: str, angles: Row[Any]) -> object:
    """What stops of two machines have in common that are one when these are merged."""
    return rows.alike(name), angles.nominal_deg, angles.bevel_deg


def stop_state(
    series: Iterable[CheckedSeries], changes: Sequence[Row[Any]], moment: datetime
) -> MachineState:
    """How a machine is by these series alone, such as those of one stop."""
    newest: dict[tuple[object, ...], KnownCheck] = {}
    for of in sorted(series, key=lambda s: (s.row.started_at, s.id)):
        for known in all_known(of):
            # Two methods that show the same lean check the same thing.
            stop = same_stop(of.row.stop, of.row)
            newest[(stop, known.check.quantity, known.relation.toward, known.half)] = known
    changed = changes[-1] if changes else None
    if changed is not None:
        after = {key: known for key, known in newest.items() if known.at >= changed.at}
        if after:
            newest, changed = after, None
    ranked = sorted(newest.values(), key=_asks)
    return MachineState(tuple(ranked), changed if ranked else None, moment)


def _asks(known: KnownCheck) -> tuple[int, float, float, str]:
    verdict = known.check.verdict
    off = known.off_in_tolerances if verdict == ADJUST else 0.0
    return _RANK[verdict], -off, -known.at.timestamp(), known.half or ""
