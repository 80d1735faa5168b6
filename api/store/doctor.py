"""Check a store against its own log, and rewrite what is derived from the log.

What benches said can't be repaired; damage to it is only reported. Trials, their readings' slots,
and which series a bench feeds follow from the log and can always be written again; so can what was
corrected, from its trail.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Final
from uuid import UUID

from sqlalchemy import (
    Connection,
    Engine,
    delete,
    exists,
    func,
    not_,
    select,
    text,
    union_all,
    update,
)

from api.store import asides, trails
from api.store.engine import begin_writing
from api.store.log import read_log, read_log_by_series
from api.store.projection import project
from api.store.publishing import EventRow, publish
from api.store.rows.series import SERIES
from api.store.squares import astray, fill_in, machines_without
from api.store.statements import as_sent
from api.store.tables import (
    Act,
    Aside,
    Base,
    Bench,
    Event,
    Reading,
    Series,
    Texts,
    Trial,
    TrialReading,
    texts_read,
)
from api.store.transactions import Transactions, write_trials
from capture import folded, pairing

# Processors and mathematical libraries round the last digits of a tangent differently, so the
# values of a store that was moved, or written by an earlier version, may differ in those digits.
_ROUNDING: Final = 1e-12  # of the value; and in degrees or mm, where it was rounded to zero
# A smaller difference says little, since it includes the time that a message took.
_CLOCK_OFF_MS: Final = 60_000
# Lists as they are written, so that one which can't be read is reported and repaired.
_TRIAL: Final = [
    as_sent(column).label(column.name) if isinstance(column.type, Texts) else column
    for column in Trial.__table__.columns
]


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that is not as it should be, in a sentence; whether `repair` fixes it; whether
    only a trial's uncertainty differs, which another version of the program computes otherwise."""

    sentence: str
    repairable: bool = False
    computed: bool = False


def findings(connection: Connection) -> Iterator[Finding]:
    """All that is wrong with the store; nothing where it is in order. Reads one moment of it."""
    yield from _damage(connection)
    yield from _rows_that_point_nowhere(connection)
    yield from _order(connection)
    yield from _events(connection)
    yield from _clocks(connection)
    yield from _stops(connection)
    for each in trails.astray(connection):
        yield Finding(each.sentence, each.row is not None)
    computed = 0
    for replayed in _replay(connection):
        for finding in replayed.differences(connection):
            computed += finding.computed
            if not finding.computed:
                yield finding
    if computed:
        trials = "1 trial has its" if computed == 1 else f"{computed} trials have their"
        yield Finding(
            f"{trials} uncertainty as another version of this program computed it, and exports"
            " show it so",
            True,
        )


def repair(engine: Engine) -> int:
    """Rewrite what follows from the log where it differs; returns the number of findings repaired.

    Each series is at a stop, and rows say what their trail ends at, where they said otherwise. Each
    trial that changed gets an event, so that streams and pulls receive it. Servers may keep running
    meanwhile: these are two transactions, which make writers wait.
    """
    with Transactions(engine).writing() as written:
        repaired = sum(1 for _ in _stops(written.connection))
        fill_in(written.connection)  # first: a series is read together with its stop
        repaired += trails.mend(written)
    with engine.connect() as connection:
        begin_writing(connection)
        with connection.begin():
            if connection.dialect.name == "postgresql":
                connection.execute(text("LOCK TABLE benches IN EXCLUSIVE MODE"))
            for replayed in _replay(connection):
                wrong = [f for f in replayed.differences(connection) if f.repairable]
                if wrong:
                    replayed.write(connection)
                    repaired += len(wrong)
    return repaired


def _stops(connection: Connection) -> Iterator[Finding]:
    """The machines without their `square`, and the series that are at no stop of their machine."""
    for machine in machines_without(connection):
        yield Finding(f"machine {machine.name} has no stop square", True)
    for series_id in connection.scalars(select(Series.id).where(astray())):
        yield Finding(f"series {series_id} belongs to no stop of its machine", True)


@dataclass(frozen=True, slots=True)
class _BenchReplayed:
    """What the log says a bench feeds, and whether each of its series has ended."""

    bench: Any
    running: UUID | None
    series: list[UUID]

    def differences(self, connection: Connection) -> Iterator[Finding]:
        name = self.bench.name
        if self.bench.series_id != self.running:
            yield Finding(f"bench {name} feeds another series than its log says", True)
        ended = {
            row.id: row.over
            for row in connection.execute(
                select(Series.id, Series.finished_at.is_not(None).label("over")).where(
                    Series.bench_id == self.bench.id
                )
            )
        }
        for series_id, over in ended.items():
            if series_id not in self.series:
                yield Finding(f"series {series_id} is not in the log of bench {name}")
            elif over == (series_id == self.running):
                said = "has ended" if over else "runs"
                yield Finding(f"series {series_id} {said}, and its bench's log says otherwise")

    def write(self, connection: Connection) -> None:
        connection.execute(
            update(Bench).where(Bench.id == self.bench.id).values(series_id=self.running)
        )


@dataclass(frozen=True, slots=True)
class _SeriesReplayed:
    """A series' trials as its log gives them; `touched`: every number there ever was."""

    series: Any
    state: folded.State
    touched: set[int]

    def differences(self, connection: Connection) -> Iterator[Finding]:
        rows, slots = project(self.series, self.state, sorted(self.touched))
        stored = {
            row["number"]: dict(row)
            for row in connection.execute(
                select(*_TRIAL).where(Trial.series_id == self.series.id)
            ).mappings()
        }
        for row in rows:
            found = stored.pop(row.number, None)
            where = f"trial {row.number} of series {self.series.id}"
            if found is None:
                yield Finding(f"{where} is not there, and its log has it", True)
            elif wrong := [n for n, value in row._asdict().items() if not _same(found[n], value)]:
                sentence = f"{where} differs from its log: {', '.join(wrong)}"
                yield Finding(sentence, True, wrong == ["expanded_uncertainty_deg"])
        for number, extra in stored.items():
            if extra["state"] != "gone":  # a repair leaves such rows for later pulls
                yield Finding(
                    f"trial {number} of series {self.series.id} is there, and its log has none",
                    True,
                )
        if _by_trial(slots) != _by_trial(self._slots(connection)):
            yield Finding(
                f"the readings of series {self.series.id} are in other places than its log says",
                True,
            )
        of_series = select(Aside.reading_id, Aside.why).where(Aside.series_id == self.series.id)
        stored_aside = {row.reading_id: row.why for row in connection.execute(of_series)}
        if stored_aside != {key: each.why for key, each in self.state.aside.items()}:
            yield Finding(
                f"other readings of series {self.series.id} are in no trial than its log says",
                True,
            )

    def _slots(self, connection: Connection) -> Iterable[Any]:
        return connection.execute(
            select(TrialReading.__table__)
            .join(Trial, Trial.id == TrialReading.trial_id)
            .where(Trial.series_id == self.series.id)
        )

    def write(self, connection: Connection) -> None:
        of_series = Trial.series_id == self.series.id
        there = set(connection.scalars(select(Trial.number).where(of_series)))
        rows, slots = project(self.series, self.state, sorted(self.touched | there))
        connection.execute(
            delete(TrialReading).where(TrialReading.trial_id.in_(select(Trial.id).where(of_series)))
        )
        write_trials(connection, rows, slots)
        asides.write(connection, self.series.id, self.state)
        changed = [("trial", row.id) for row in rows] + [("score", self.series.id)]
        publish(
            connection,
            [EventRow(self.series.bench_id, kind, subject, {}) for kind, subject in changed],
        )


def _replay(connection: Connection) -> Iterator[_BenchReplayed | _SeriesReplayed]:
    """Every bench's log folded: its series one by one, then the bench."""
    for bench in connection.execute(select(Bench.__table__).order_by(Bench.id)).all():
        series: list[UUID] = []
        for series_id, entries in read_log_by_series(connection, bench.id):
            series.append(series_id)
            touched: set[int] = set()
            folding = pairing.Folding()
            for entry in entries:
                touched.update(folding.take(entry).trials)
            row = connection.execute(SERIES.where(Series.id == series_id)).first()
            if row is not None:
                yield _SeriesReplayed(row, folding.state.latest, touched)
        running = pairing.fold(read_log(connection, bench.id)).series
        yield _BenchReplayed(bench, running, series)


def _clocks(connection: Connection) -> Iterator[Finding]:
    """A reading's time comes from its bench's clock; order and trials do not depend on it."""
    off = func.abs(Bench.clock_behind_ms) > _CLOCK_OFF_MS
    for bench in connection.execute(select(Bench.__table__).where(off).order_by(Bench.id)):
        side = "behind" if bench.clock_behind_ms > 0 else "ahead of"
        yield Finding(
            f"the clock of bench {bench.name} was {abs(bench.clock_behind_ms) / 1000:,.0f} seconds"
            f" {side} the server's on {bench.clock_checked_at:%Y-%m-%d at %H:%M} UTC: set both, or"
            " its readings carry the wrong time"
        )


def _same(stored: Any, replayed: Any) -> bool:
    if isinstance(stored, float) and isinstance(replayed, float):
        return math.isclose(stored, replayed, rel_tol=_ROUNDING, abs_tol=_ROUNDING)
    if isinstance(replayed, tuple):
        try:
            return texts_read(stored) == replayed
        except ValueError:
            return False
    return bool(stored == replayed)


def _by_trial(slots: Iterable[Any]) -> dict[UUID, list[tuple[int, int, UUID]]]:
    found: dict[UUID, list[tuple[int, int, UUID]]] = defaultdict(list)
    for slot in slots:
        found[slot.trial_id].append((slot.slot, slot.place, slot.reading_id))
    return {trial: sorted(places) for trial, places in found.items()}


def _damage(connection: Connection) -> Iterator[Finding]:
    if connection.dialect.name != "sqlite":
        return  # PostgreSQL checks its pages with its own pg_amcheck
    for (said,) in connection.exec_driver_sql("PRAGMA integrity_check"):
        if said != "ok":
            yield Finding(
                f"SQLite finds the file damaged: {said}; restore a backup, or copy what can be read"
                " with --salvage NEW"
            )


def _rows_that_point_nowhere(connection: Connection) -> Iterator[Finding]:
    for table in Base.metadata.sorted_tables:
        for key in table.foreign_keys:
            there = key.column.table.alias()
            column = key.parent
            lost = connection.execute(
                select(func.count())
                .select_from(table)
                .where(
                    column.is_not(None),
                    not_(exists().where(there.c[key.column.name] == column)),
                )
            ).scalar_one()
            if lost:
                yield Finding(
                    f"{lost} rows of {table.name} name a row of {key.column.table.name} that is"
                    f" not there ({column.name})"
                )


def _order(connection: Connection) -> Iterator[Finding]:
    """Each number of a bench's order must be used once, up to the latest and without a gap."""
    numbers = union_all(
        select(Reading.bench_id, Reading.seq), select(Act.bench_id, Act.seq)
    ).subquery()
    found = {
        row.bench_id: row
        for row in connection.execute(
            select(
                numbers.c.bench_id,
                func.count().label("given"),
                func.count(numbers.c.seq.distinct()).label("different"),
                func.min(numbers.c.seq).label("first"),
                func.max(numbers.c.seq).label("last"),
            ).group_by(numbers.c.bench_id)
        )
    }
    for bench in connection.execute(select(Bench.__table__).order_by(Bench.id)):
        row = found.get(bench.id)
        given, different, first, last = (
            (row.given, row.different, row.first, row.last) if row else (0, 0, 1, 0)
        )
        if given != different:
            yield Finding(f"bench {bench.name} gave {given - different} numbers twice")
        if different != last or first != 1:
            yield Finding(
                f"bench {bench.name} has {different} entries numbered {first} to {last}:"
                " some are missing"
            )
        if last != bench.last_seq:
            yield Finding(
                f"bench {bench.name} says its last number is {bench.last_seq}, and it is {last}"
            )


def _events(connection: Connection) -> Iterator[Finding]:
    """Each reading and trial must have an event, and no event number may be used again."""
    for kind, table in (("reading", Reading), ("trial", Trial)):
        # One uncorrelated subquery: events have no index by subject.
        subjects = select(Event.subject).where(Event.kind == kind, Event.subject.is_not(None))
        missing = connection.execute(
            select(func.count()).select_from(table).where(table.id.not_in(subjects))
        ).scalar_one()
        if missing:
            yield Finding(f"{missing} {table.__tablename__} have no event")
    latest = connection.execute(select(func.max(Event.id))).scalar() or 0
    if connection.dialect.name == "sqlite":
        counter = "SELECT seq FROM sqlite_sequence WHERE name = 'events'"
    else:
        counter = "SELECT last_value FROM pg_sequences WHERE sequencename = 'events_id_seq'"
    given = connection.execute(text(counter)).scalar() or 0
    if given < latest:
        yield Finding(
            f"events are numbered up to {latest}, and the next would be numbered {given + 1} again"
        )
