"""What is asked about a reading as it is kept: from its series' row, the fold so far, and what was
read before the series began, which is remembered: so a press costs no query."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import partial
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection, Row

from analysis.expected import LOOK_BACK, Read
from analysis.geometry import at_stop, nominal_mm
from analysis.guard import (
    LONG_AGO_S,
    NO_LINES,
    Guard,
    Lines,
    Question,
    Sent,
    same_again,
    sentence,
)
from analysis.methods import Quantity
from analysis.uncertainty import resolution_nm
from analysis.units import Unit, mm
from api.store.appending import Ask
from api.store.facts import method_of
from api.store.rows import earlier
from api.store.stamps import now
from capture import folded, pairing, records

_LONG_AGO: Final = timedelta(seconds=LONG_AGO_S)


@dataclass(slots=True)
class _Series:
    """What is remembered of a running series: its row, the rule, and what each caliper sent in each
    unit, before it and in so many of its trials. read: what was read of its trials, by number, as
    long as they are the same."""

    row: Row[Any]
    guard: Guard
    lines: dict[tuple[str, Unit], Lines]
    trials: int = 0
    read: dict[int, tuple[records.Trial, Read]] = field(default_factory=dict)

    def read_of(self, trial: records.Trial, layout: records.Layout) -> Read:
        known = self.read.get(trial.number)
        if known is None or known[0] is not trial:
            known = self.read[trial.number] = (trial, _read(trial, layout))
        return known[1]

    def sent_before(self, reading: records.Reading, trials: Sequence[records.Trial]) -> Lines:
        """What the same caliper sent in the same unit; nothing where fingers typed it."""
        # Each trial that is over is counted once, so that a press costs the same after many.
        for trial in trials[self.trials : -1]:
            self.trials += 1
            for line, of in _sent(trial):
                self.lines[of] = self.lines.get(of, NO_LINES).heard(line)
        if reading.origin == "typed":
            return NO_LINES
        lines = self.lines.get((reading.caliper, reading.unit), NO_LINES)
        for line, of in _sent(trials[-1]) if trials else ():
            if of == (reading.caliper, reading.unit):
                lines = lines.heard(line)
        return lines


def _sent(trial: records.Trial) -> Iterator[tuple[str, tuple[str, Unit]]]:
    """Each line that counts, with its caliper and unit."""
    for reading in (placed.reading for placed in trial.slots if placed is not None):
        yield reading.sent, (reading.caliper, reading.unit)


class Asking:
    """Decides what is asked about readings. For the one writer alone."""

    def __init__(self) -> None:
        self._series: dict[int, _Series] = {}  # by bench

    def begins(self, connection: Connection, series: Row[Any] | None) -> None:
        """A bench feeds `series` from now on: read what was read before it."""
        if series is not None:
            self._of(connection, series)

    def ask(self, connection: Connection, followed: Collection[UUID]) -> Ask:
        """What is asked of the readings of one request. followed: the ids of those that others
        follow in it: at a bench elsewhere the person had gone on before anybody could ask."""
        return partial(self._question, connection, followed)

    def _question(
        self,
        connection: Connection,
        followed: Collection[UUID],
        series: Row[Any],
        folding: pairing.Folding,
        reading: records.Reading,
    ) -> tuple[Question, str] | None:
        following = folding.next
        # What waited while the computer slept was answered by no sound, and the person went on.
        if following is None or reading.late or reading.origin == "imported":
            return None
        known = self._of(connection, series)
        asked = None if _confirms(folding, reading) else _doubt(known, folding, following, reading)
        silent = _silent(series, folding, reading)
        if asked is None and silent > _LONG_AGO:
            asked = Question("long ago", None, "time")
        if asked is None or (
            reading.id in followed and earlier.elsewhere(connection, series.bench_id)
        ):
            return None
        sent = Sent(reading.nm, reading.sent, reading.unit)
        said = sentence(asked, sent, method_of(series), following.place, silent.total_seconds())
        return asked, said

    def _of(self, connection: Connection, series: Row[Any]) -> _Series:
        known = self._series.get(series.bench_id)
        if known is not None and known.row is series:
            return known
        if known is not None and _same(known.row, series):
            usual, lines, counted = known.guard.usual, known.lines, known.trials
        else:
            usual, counted = earlier.usual(connection, series), 0
            lines = earlier.lines(connection, series)
        guard = _guard(series, usual)
        known = self._series[series.bench_id] = _Series(series, guard, lines, counted)
        return known


def _same(row: Row[Any], other: Row[Any]) -> bool:
    """Whether what was read before a series, and what its calipers sent, is the same with another
    row of it, since it was corrected."""
    return (row.id, row.stop_id, row.readings_unit) == (
        other.id,
        other.stop_id,
        other.readings_unit,
    )


def _guard(series: Row[Any], usual: Mapping[Quantity, float]) -> Guard:
    follows = method_of(series)
    baseline = None if series.baseline_nm is None else mm(series.baseline_nm)
    at = at_stop(follows, float(series.nominal_deg), float(series.bevel_deg))
    return Guard(
        follows,
        baseline,
        None if series.thickness_nm is None else mm(series.thickness_nm),
        series.pieces,
        usual,
        nominal_mm(at, baseline, series.strip_side),
    )


def _confirms(folding: pairing.Folding, reading: records.Reading) -> bool:
    """Whether this says that the reading that waits is right: it was measured again."""
    waits = folding.awaiting
    if waits is None:
        return False
    count_nm = resolution_nm([reading.sent], reading.unit) or 0
    return same_again(waits.reading.nm, reading.nm, count_nm)


def _doubt(
    known: _Series, folding: pairing.Folding, following: folded.Next, reading: records.Reading
) -> Question | None:
    layout, trials = folding.layout, folding.trials
    strip = trials[-1] if trials and trials[-1].number == following.trial else None
    latest = trials[-LOOK_BACK:] if strip is None else trials[-LOOK_BACK - 1 : -1]
    return known.guard.question(
        following.place,
        Sent(reading.nm, reading.sent, reading.unit),
        [] if strip is None else _read(strip, layout),
        [known.read_of(each, layout) for each in latest if each.complete and not each.left_out],
        known.sent_before(reading, trials),
    )


def _silent(series: Row[Any], folding: pairing.Folding, reading: records.Reading) -> timedelta:
    """How long the series had heard nothing, as the reading came, but for one that waits."""
    waits = None if folding.awaiting is None else folding.awaiting.reading.id
    last = [each for each in folding.last_heard.values() if each.id != waits]
    aside = folding.aside
    heard = [r.taken_at for r in last if r.id not in aside or aside[r.id].why != "closed jaws"]
    if last and not heard:
        # Whoever shuts the jaws to see whether they read zero does not say that it goes on.
        others = [a.reading for a in aside.values() if a.why != "closed jaws"]
        others += [t.latest.reading for t in folding.trials[-1:] if t.latest is not None]
        heard = [each.taken_at for each in others if each.id != waits]
    if heard:
        return reading.taken_at - max(heard)
    if not folding.trials:
        # By one clock: that of a bench elsewhere may be wrong, and what it hands over may be old.
        began: datetime = series.started_at
        return min(now(), reading.taken_at) - began
    if waits is not None and (latest := folding.trials[-1].latest) is not None:
        return reading.taken_at - latest.reading.taken_at
    # Nothing was heard since the series was resumed, and that said that it goes on.
    return timedelta()


def _read(trial: records.Trial, layout: records.Layout) -> list[list[int]]:
    read: list[list[int]] = [[] for _ in range(layout.places)]
    for slot, placed in enumerate(trial.slots):
        if placed is not None:
            read[folded.place_of(trial, slot, layout)].append(placed.reading.nm)
    return read
