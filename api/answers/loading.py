"""Lines of a notebook, put into the store as series, each once.

Lines of one machine, method, set-up and day become one series, which goes through the journal
like any other, on a bench of its own. The ids of a line's readings are derived from its contents,
so that loading the same notebook twice adds nothing.
"""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection, Engine, select
from uuid_utils.compat import uuid5

from api.answers.notebook import BENCH, NotebookLine
from api.answers.settings import LONGEST_NOTE
from api.store.authors import NOBODY, Author
from api.store.journal import Journal
from api.store.new_series import PastSeries, PastStop
from api.store.rows.machines import alike
from api.store.tables import Reading
from capture import records

_NAMESPACE: Final = UUID("6f2d3c2e-5a0b-5c8e-9f43-2b6f6f746865")
_ONE_LOAD: Final = threading.Lock()
# A press at a bench waits for one transaction, so it is short.
_READINGS_AT_ONCE: Final = 1000


@dataclass(frozen=True, slots=True)
class Loaded:
    """What loading did, or would do: trials and readings stored now, trials known before."""

    trials: int
    readings: int
    known: int
    series: tuple[UUID, ...]


@dataclass(frozen=True, slots=True)
class _Trial:
    """A line with its id, which follows from what the line says, and those of its readings."""

    line: NotebookLine
    id: UUID
    readings: tuple[UUID, ...]


def load(
    engine: Engine,
    journal: Journal,
    lines: Sequence[NotebookLine],
    dry_run: bool = False,
    by: Author = NOBODY,
) -> Loaded:
    """Keep the lines that the store does not have yet; with `dry_run` only say which.

    One load at a time. An interrupted one leaves whole series, and is completed by loading the
    same again.
    """
    with _ONE_LOAD:
        trials = _identified(lines)
        with engine.connect() as connection:
            known = _known(connection, trials)
        new = [trial for trial in trials if trial.id not in known]
        series: list[UUID] = []
        if not dry_run:
            for batch in _batches(map(_past_series, _grouped(new))):
                series += journal.load(BENCH, batch, by)
        readings = sum(len(trial.readings) for trial in new)
        return Loaded(len(new), readings, len(trials) - len(new), tuple(series))


def _identified(lines: Iterable[NotebookLine]) -> list[_Trial]:
    trials = []
    seen: Counter[str] = Counter()
    for line in lines:
        new = line.checked
        content = repr(
            (
                line.machine,
                line.series,
                line.moment.isoformat(),
                (new.method.key, new.baseline_nm, new.thickness_nm, new.inset_nm),
                (new.strip_side, new.pieces, new.repeats),
                [value.nm for value in line.readings],
                # What earlier versions did not read is left out, so that a notebook that they
                # loaded is known.
                *([] if line.stop is None else [alike(line.stop)]),
                *([] if line.visit == 1 else [line.visit]),
            )
        )
        # Two equal lines are two strips with the same readings.
        seen[content] += 1
        trial_id = uuid5(_NAMESPACE, f"{content} {seen[content]}")
        ids = tuple(uuid5(trial_id, str(index)) for index in range(len(line.readings)))
        trials.append(_Trial(line, trial_id, ids))
    return trials


def _known(connection: Connection, trials: Sequence[_Trial]) -> set[UUID]:
    """Those whose readings are in the store."""
    first = {trial.readings[0]: trial.id for trial in trials}
    ids = list(first)
    found: set[UUID] = set()
    for at in range(0, len(ids), 500):  # within every engine's limit on parameters
        rows = connection.scalars(select(Reading.id).where(Reading.id.in_(ids[at : at + 500])))
        found.update(first[reading] for reading in rows)
    return found


def by_series(lines: Iterable[NotebookLine]) -> list[list[NotebookLine]]:
    """The lines that become one series each, in the order of time."""
    return [[trial.line for trial in group] for group in _grouped(_identified(lines))]


def _grouped(trials: Iterable[_Trial]) -> list[list[_Trial]]:
    """The trials of each series in the order of time, the earliest series first."""
    groups: dict[Any, list[_Trial]] = {}
    for trial in sorted(trials, key=lambda t: t.line.moment):
        line = trial.line
        stop = None if line.stop is None else alike(line.stop)
        key = (line.machine, line.series, line.day, stop, line.checked.work_id, line.settings)
        groups.setdefault(key, []).append(trial)
    return list(groups.values())


def _past_series(trials: Sequence[_Trial]) -> PastSeries:
    first = trials[0].line
    notes = dict.fromkeys(t.line.note for t in trials if t.line.note)
    new = replace(first.checked, note="; ".join(notes)[:LONGEST_NOTE] or None)
    readings = _records(trials)
    ended = max(reading.taken_at for reading in readings)
    away = frozenset(
        trial.readings[0]
        for before, trial in pairwise(trials)
        if trial.line.visit != before.line.visit
    )
    angles = first.settings.nominal_deg, first.settings.bevel_deg
    stop = None if first.stop is None else PastStop(first.stop, *angles)
    return PastSeries(first.machine, first.kind, new, readings, first.moment, ended, stop, away)


def _batches(series: Iterable[PastSeries]) -> Iterator[list[PastSeries]]:
    """As many series as are stored at once."""
    batch: list[PastSeries] = []
    for each in series:
        batch.append(each)
        if sum(len(past.readings) for past in batch) >= _READINGS_AT_ONCE:
            yield batch
            batch = []
    if batch:
        yield batch


def _records(trials: Sequence[_Trial]) -> list[records.Reading]:
    """The readings, a second apart where the notebook has no times: two equal readings closer
    together would be taken for a bounce of the button."""
    kept: list[records.Reading] = []
    ended: datetime | None = None
    for trial in trials:
        at = trial.line.moment
        if ended is not None:
            at = max(at, ended + timedelta(seconds=1))
        for reading_id, value in zip(trial.readings, trial.line.readings, strict=True):
            ended = at
            kept.append(
                records.Reading(
                    id=reading_id,
                    bench=BENCH,
                    caliper=trial.line.caliper,
                    sent=value.sent,
                    unit=value.unit,
                    nm=value.nm,
                    taken_at=at,
                    origin="imported",
                )
            )
            at += timedelta(seconds=1)
    return kept
