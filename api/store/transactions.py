"""What runs within one transaction of the store's one writer, shared by all that write.

Each entry gets the next number of its bench's order, is folded into trials, and is committed with
its events, all in one transaction. Whoever writes returns only after the commit: an acknowledgement
promises that the reading is on the disk.

The folded state of each bench is cached between transactions, and read back from the log whenever
the bench's row shows that another process has written in between, or corrected a series of it. So
several processes may share a store, and a process that was killed loses nothing.

Every writer takes its locks in one order, so that there are no deadlocks: benches by name, new
calipers by name, new people by name, and last the events, whose numbers must appear in the order of
commits.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import fields, replace
from datetime import datetime
from typing import Any, Final, cast
from uuid import UUID

from sqlalchemy import (
    Connection,
    Engine,
    Row,
    Table,
    bindparam,
    delete,
    event,
    select,
    text,
    update,
)

from api.errors import NotFound
from api.store import asides, statements
from api.store.act_rows import act_row
from api.store.appending import READING_COLUMNS, Appended, Ask, BenchState
from api.store.authors import NOBODY, UNSIGNED, Author, Authored, authored
from api.store.engine import DamagedStore, Writer
from api.store.log import read_log, read_series
from api.store.new_series import NewSeries
from api.store.projection import SlotRow, TrialRow, project
from api.store.publishing import Committed, EventRow, Happened, publish
from api.store.rows.series import SERIES
from api.store.squares import square_of
from api.store.stamps import new_id, now
from api.store.tables import Act, Bench, Caliper, Series, Trial, TrialReading
from api.store.tables import Reading as ReadingRow
from capture import folded, pairing, records

_ACTS: Final = cast(Table, Act.__table__)
_BENCHES: Final = cast(Table, Bench.__table__)
_CALIPERS: Final = cast(Table, Caliper.__table__)
_READINGS: Final = cast(Table, ReadingRow.__table__)
_SERIES: Final = cast(Table, Series.__table__)
_TRIALS: Final = cast(Table, Trial.__table__)
_TRIAL_READINGS: Final = cast(Table, TrialReading.__table__)


class Transactions:
    """The transactions of the store's one writer here. Safe to call from any thread; one writes at
    a time.

    `committed` is called after each commit that made events, from the writing thread and before
    anybody else writes, so in the order of commits: with the ids of the benches that they are of,
    and the events themselves where their numbers are known without asking (on SQLite). While
    `damaged` says that the store is, every transaction raises DamagedStore with what it says.
    """

    def __init__(
        self,
        engine: Engine,
        committed: Committed = lambda _benches, _events: None,
        damaged: Callable[[], str] = lambda: "",
    ) -> None:
        self.engine = engine
        self._damaged = damaged
        self._writer = Writer(engine)
        self._committed = committed
        # Reentrant: a store whose log was lost is reopened during a write.
        self._lock = threading.RLock()
        self._open: Writing | None = None
        self._dry_in = 0
        self.benches: dict[str, BenchState] = {}
        self.calipers: dict[str, int] = {}
        self.names: dict[int, str] = {}
        event.listen(engine, "engine_disposed", self._rest)

    @contextmanager
    def writing(self) -> Iterator[Writing]:
        """A transaction, committed at the end; within a dry run it is part of that."""
        with self._lock:
            if self._open is not None:
                yield self._open
                return
            happened: list[Happened] = []
            self._refuse_damaged()
            connection = self._writer.take()
            try:
                with connection.begin(), statements.translated(connection):
                    written = Writing(self, connection)
                    yield written
                    if written.events:
                        publish(connection, written.events)
                        happened = written.numbered()
                self._writer.confirm()
            except BaseException:
                self._writer.close()
                raise
            self.benches |= written.benches
            self.calipers |= written.calipers
            self.names |= written.names
            if written.events:
                self._committed({event.bench_id for event in written.events}, happened)

    @contextmanager
    def dry_run(self) -> Iterator[Writing]:
        """A transaction that all that is written within takes part in, and that is undone at the
        end; its connection sees what was written."""
        with self._lock:
            self._refuse_damaged()
            connection = self._writer.take()
            try:
                with connection.begin() as begun, statements.translated(connection):
                    self._open, self._dry_in = Writing(self, connection), threading.get_ident()
                    yield self._open
                    begun.rollback()
            except BaseException:
                self._writer.close()
                raise
            finally:
                self._open = None

    @property
    def dry(self) -> bool:
        """Whether a dry run is under way, for which all others wait; true in its thread alone."""
        return self._open is not None and self._dry_in == threading.get_ident()

    def check(self) -> None:
        """Raise DamagedStore where the store is damaged, GoneStore where its files are not those
        that were opened."""
        self._refuse_damaged()
        self._writer.check()

    def _refuse_damaged(self) -> None:
        if why := self._damaged():
            raise DamagedStore(why)

    def _rest(self, _engine: Engine) -> None:
        with self._lock:
            self._writer.close()


class Writing:
    """One open transaction: what it adds to the caches when it commits, and its events."""

    def __init__(self, transactions: Transactions, connection: Connection) -> None:
        self.connection = connection
        self.benches: dict[str, BenchState] = {}
        self.calipers: dict[str, int] = {}
        self.names: dict[int, str] = {}
        self.events: list[EventRow] = []
        self._known = transactions
        self._heard: dict[UUID, records.Reading] = {}
        self._authored: dict[Author, Authored] = {NOBODY: UNSIGNED}

    def numbered(self) -> list[Happened]:
        """The events that were just written, which have numbers in a row: nobody else writes."""
        if self.connection.dialect.name != "sqlite":
            return []
        (last,) = statements.first(self.connection, _LAST_NUMBER) or (0,)
        first = last - len(self.events) + 1
        return [
            Happened(
                first + at,
                each.bench_id,
                self._name(each.bench_id),
                each.kind,
                each.subject,
                each.data,
                self._heard.get(each.subject) if each.subject and each.kind == "reading" else None,
            )
            for at, each in enumerate(self.events)
        ]

    def bench_of(self, series_id: UUID) -> BenchState:
        """The bench of a series, as `_bench` gives it.

        Raises NotFound where no series has that id.
        """
        return self.bench(self.bench_name(series_id))

    def _name(self, bench_id: int) -> str:
        known = self.names.get(bench_id) or self._known.names.get(bench_id)
        if known is None:
            known = self.connection.scalar(select(Bench.name).where(Bench.id == bench_id))
            assert known is not None  # an event is of a bench
            self.names[bench_id] = known
        return known

    def bench_name(self, series_id: UUID) -> str:
        """The name of the bench of a series. Raises NotFound where no series has that id."""
        name = self.connection.execute(
            select(Bench.name)
            .join(Series, Series.bench_id == Bench.id)
            .where(Series.id == series_id)
        ).scalar()
        if name is None:
            raise NotFound("no series has that id")
        return name

    def bench(self, name: str) -> BenchState:
        """The bench, created if it is new, with its row locked and its state up to date."""
        found = statements.first(self.connection, _FIND_BENCH, name=name)
        if found is None:
            self.connection.execute(
                statements.insert_new(self.connection, _BENCHES), [{"name": name, "last_seq": 0}]
            )
            return self.bench(name)
        bench_id, last_seq, corrected = found
        self.names[bench_id] = name
        known = self.benches.get(name) or self._known.benches.get(name)
        if known is None or (known.seq, known.corrected) != (last_seq, corrected):
            state = pairing.fold(read_log(self.connection, bench_id))
            series = _series(self.connection, state)
            known = BenchState(name, bench_id, last_seq, corrected, state, series)
            self.benches[name] = known
        return known

    def authored(self, author: Author) -> Authored:
        """The columns of what `author` does in this transaction."""
        known = self._authored.get(author)
        if known is None:
            known = self._authored[author] = authored(self.connection, author)
        return known

    def begin(
        self, bench: BenchState, new: NewSeries, at: datetime | None, by: Author = NOBODY
    ) -> UUID:
        """Start a series on a bench whose row is locked."""
        series_id, at = new_id(), at or now()
        self._add_series(series_id, bench, new, at, None)
        self.append(bench, [records.Start(series_id, _layout(new))], at, by=by)
        return series_id

    def set_up(
        self, bench: BenchState, new: NewSeries, began: datetime, ended: datetime, change: UUID
    ) -> UUID:
        """Make a series that has ended, for trials that are moved into it; its bench does not feed
        it."""
        series_id = new_id()
        self._add_series(series_id, bench, new, began, ended)
        self._append_act(bench, records.SetUp(series_id, _layout(new)), change)
        return series_id

    def _add_series(
        self,
        series_id: UUID,
        bench: BenchState,
        new: NewSeries,
        began: datetime,
        ended: datetime | None,
    ) -> None:
        row = {field.name: getattr(new, field.name) for field in fields(new)}
        row |= {"method": new.method.key, "method_data": new.method.definition}
        row |= {"id": series_id, "bench_id": bench.id, "started_at": began, "finished_at": ended}
        row["stop_id"] = new.stop_id or square_of(self.connection, new.machine_id)
        del row["bench"]
        statements.write(self.connection, _SERIES, tuple(row), [tuple(row.values())])

    def append(
        self,
        bench: BenchState,
        entries: Iterable[records.Entry],
        at: datetime | None = None,
        ask: Ask | None = None,
        by: Author = NOBODY,
    ) -> list[folded.Outcome]:
        """Write `entries` to the bench's log, and the rows that follow from them.

        ask: decides what is asked about readings; None: nothing.
        """
        appended = Appended(bench, at or now(), ask, self.caliper, self.authored(by))
        outcomes = [appended.take(entry) for entry in entries]
        for reading, fate in appended.heard:
            self.heard(bench.id, reading, fate)
        state, series = appended.folding.state, bench.series
        if state.series != bench.state.series:
            if bench.state.series is not None:
                statements.run(
                    self.connection,
                    _END_SERIES,
                    series=bench.state.series,
                    finished_at=appended.at,
                )
            series = _series(self.connection, state)
        with statements.together(self.connection):
            statements.write(self.connection, _READINGS, READING_COLUMNS, appended.readings)
            for act in appended.acts:  # which may name one of these readings
                self.write_act(act)
            self._move_bench(bench.id, appended.seq, state)
            if series is not None:
                self.project(bench.id, series, state, [*appended.gone_on, *outcomes])
            aside = asides.write_changed(self.connection, bench.state.latest, state.latest)
        heard = {reading.id for reading, _ in appended.heard}  # each of which has an event
        for reading_id in aside:
            if reading_id not in heard:
                self.add_event(bench.id, "fate", reading_id)
        if appended.acted:
            self.add_event(bench.id, "bench", state.series)
        ended = bench.series
        if ended is not None and ended.id != state.series and ended.strips is not None:
            # A verdict that was planned comes with the end.
            self.add_event(bench.id, "score", ended.id)
        self.benches[bench.name] = replace(bench, seq=appended.seq, state=state, series=series)
        return outcomes

    def correct(self, series_id: UUID, act: records.Correction, change: UUID) -> folded.Outcome:
        """Write a correction of a series to its bench's log, and the rows that follow from it.

        One that does nothing is not written: its outcome says so. Raises NotFound where no series
        has that id.
        """
        bench = self.bench_of(series_id)
        entry = records.Corrected(series_id, act)
        before = pairing.fold(read_series(self.connection, series_id))
        state, outcome = pairing.apply(before, entry)
        if outcome.did_nothing:
            return outcome
        self._append_act(bench, entry, change)
        self.project(bench.id, self.series(series_id), state.latest, [outcome])
        fates = set(asides.write_changed(self.connection, before.latest, state.latest))
        trials: Sequence[records.Trial] = ()
        if isinstance(act, records.MoveIn):
            trials = act.trials
        if isinstance(act, records.LeaveOut | records.CountAgain):
            trials = (state.latest.trials[act.trial - 1],)
        fates |= {placed.reading.id for trial in trials for placed in trial.slots if placed}
        for reading in sorted(fates):
            self.add_event(bench.id, "fate", reading)
        if bench.state.series == series_id:
            self.add_event(bench.id, "bench", series_id)
        return outcome

    def _append_act(self, bench: BenchState, entry: records.Entry, change: UUID) -> None:
        """Write an act that makes the bench feed no other series."""
        bench = self.bench(bench.name)
        # A series that was made for moved trials is not the one that ended here last.
        state = bench.state
        if not isinstance(entry, records.SetUp):
            state, _ = pairing.apply(state, entry)
        seq = bench.seq + 1
        self.write_act(act_row(entry, new_id(), bench.id, seq, now(), change=change))
        self._move_bench(bench.id, seq, state)
        self.benches[bench.name] = replace(bench, seq=seq, state=state)

    def write_act(self, row: dict[str, Any]) -> None:
        statements.write(self.connection, _ACTS, tuple(row), [tuple(row.values())])

    def _move_bench(self, bench_id: int, seq: int, state: folded.State) -> None:
        statements.run(
            self.connection,
            _MOVE_BENCH,
            bench=bench_id,
            last_seq=seq,
            series_id=state.series,
            awaiting=None if state.awaiting is None else state.awaiting.reading,
        )

    def series(self, series_id: UUID) -> Row[Any]:
        """The row of a series, locked, after that of its bench. Raises NotFound where there is
        none."""
        found = SERIES.where(Series.id == series_id).with_for_update(key_share=True, of=_SERIES)
        row = self.connection.execute(found).first()
        if row is None:
            raise NotFound("no series has that id")
        return row

    def project_all(self, series_id: UUID) -> None:
        """Write the rows of all trials of a series anew, as its row and its log say now."""
        bench = self.bench_of(series_id)
        row = self.series(series_id)
        state = pairing.fold(read_series(self.connection, series_id)).latest
        rows, slots = project(row, state, [trial.number for trial in state.trials])
        for trial in rows:
            statements.run(self.connection, _CLEAR_SLOTS, trial=trial.id)
        write_trials(self.connection, rows, slots)
        asides.write(self.connection, series_id, state)
        for trial in rows:
            self.add_event(bench.id, "trial", trial.id)
        self.add_event(bench.id, "score", series_id)
        if bench.state.series == series_id:
            self.add_event(bench.id, "bench", series_id)

    def forget(self, bench: BenchState) -> None:
        """Let this process and the others read anew what they remember of a bench, since settings
        of a series of it were corrected; its row is locked."""
        again = update(_BENCHES).where(_BENCHES.c.id == bench.id)
        self.connection.execute(again.values(corrected=_BENCHES.c.corrected + 1))

    def project(
        self,
        bench_id: int,
        series: Row[Any],
        state: folded.State,
        outcomes: Sequence[folded.Outcome],
    ) -> None:
        """Write the trials that `outcomes` changed, from the folded state, with their events."""
        touched = {number for o in outcomes for number in o.trials}
        if not touched:
            return
        # Where readings were only added, the slots that are there already do not change.
        placed = {o.reading for o in outcomes if o.kind in _PLACED}
        moved = {
            folded.trial_id(series.id, number)
            for o in outcomes
            if o.kind not in _PLACED
            for number in o.trials
        }
        rows, slots = project(series, state, sorted(touched))
        slots = [s for s in slots if s.reading_id in placed or s.trial_id in moved]
        for trial_id in moved:
            statements.run(self.connection, _CLEAR_SLOTS, trial=trial_id)
        write_trials(self.connection, rows, slots)
        for row in rows:
            self.add_event(bench_id, "trial", row.id)
        self.add_event(bench_id, "score", series.id)

    def caliper(self, name: str, heard_at: datetime) -> int:
        known = self.calipers.get(name) or self._known.calipers.get(name)
        if known is None:
            self.connection.execute(
                statements.insert_new(self.connection, _CALIPERS),
                [{"name": name, "first_heard_at": heard_at, "shown": name}],
            )
            known = self.connection.execute(
                select(Caliper.id).where(Caliper.name == name)
            ).scalar_one()
            self.calipers[name] = known
        return known

    def series_corrected(self) -> set[UUID]:
        """The series that were corrected in this transaction so far."""
        found = {e.subject for e in self.events if e.kind == "series" and e.subject is not None}
        told = (e.data for e in self.events if e.kind == "correction")
        return found | {UUID(data["series"]) for data in told if "series" in data}

    def add_event(
        self, bench_id: int, kind: str, subject: UUID | None, data: dict[str, Any] | None = None
    ) -> None:
        self.events.append(EventRow(bench_id, kind, subject, data or _NO_DATA))

    def heard(self, bench_id: int, reading: records.Reading, fate: dict[str, Any]) -> None:
        """The event of a reading, as its series reads it, with what became of it."""
        self._heard[reading.id] = reading
        self.add_event(bench_id, "reading", reading.id, fate)


_PLACED: Final = ("kept", "complete")
_CLEAR_SLOTS: Final = delete(_TRIAL_READINGS).where(
    _TRIAL_READINGS.c.trial_id == bindparam("trial")
)
_LAST_NUMBER: Final = text("SELECT last_insert_rowid()")
_NO_DATA: Final[dict[str, Any]] = {}
_FIND_BENCH: Final = (
    select(Bench.id, Bench.last_seq, Bench.corrected)
    .where(Bench.name == bindparam("name"))
    # Not against the foreign keys of events, which others write without this row's lock.
    .with_for_update(key_share=True)
)
_END_SERIES: Final = (
    update(_SERIES)
    .where(_SERIES.c.id == bindparam("series"))
    .values(finished_at=bindparam("finished_at"))
)
_MOVE_BENCH: Final = (
    update(Bench)
    .where(Bench.id == bindparam("bench"))
    .values(
        last_seq=bindparam("last_seq"),
        series_id=bindparam("series_id"),
        awaiting=bindparam("awaiting"),
    )
)


def write_trials(
    connection: Connection, rows: Sequence[TrialRow], slots: Sequence[SlotRow]
) -> None:
    """Insert or overwrite rows of `trials`, and insert rows of `trial_readings`."""
    statements.write(connection, _TRIALS, TrialRow._fields, rows, over=True)
    statements.write(connection, _TRIAL_READINGS, SlotRow._fields, slots)


def _layout(new: NewSeries) -> records.Layout:
    return records.Layout(
        places=len(new.method.places),
        repeats=new.repeats,
        swap=new.method.swap,
        closed_jaws=new.method.closed_jaws,
    )


def _series(connection: Connection, state: folded.State) -> Row[Any] | None:
    if state.series is None:
        return None
    return connection.execute(SERIES.where(Series.id == state.series)).one()
