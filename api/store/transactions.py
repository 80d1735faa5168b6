"""What runs within one transaction of the store's one writer, shared by all that write.

Each entry gets the next number of its bench's order, is folded into trials, and is committed with
its events, all in one transaction. Whoever writes returns only after the commit: an acknowledgement
promises that the reading is on the disk.

The folded state of each bench is cached between transactions, and read back from the log whenever
the bench's last number shows that another process has written in between. So several processes may
share a store, and a process that was killed loses nothing.

Every writer takes its locks in one order, so that there are no deadlocks: benches by name, new
calipers by name, and last the events, whose numbers must appear in the order of commits.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, fields, replace
from datetime import datetime
from typing import Any, Final, NamedTuple, cast
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
from sqlalchemy.dialects import postgresql, sqlite

from analysis.guard import Question
from analysis.methods import Place
from api.errors import NotFound
from api.store import statements
from api.store.act_rows import act_row
from api.store.engine import CHANNEL, DamagedStore, Writer
from api.store.facts import method_of
from api.store.log import read_log, read_series
from api.store.new_series import NewSeries
from api.store.next_place import NextPlace
from api.store.projection import SlotRow, TrialRow, project
from api.store.stamps import new_id, now
from api.store.tables import Act, Bench, Caliper, Event, Series, Trial, TrialReading
from api.store.tables import Reading as ReadingRow
from capture import pairing, records
from capture.values import read_as

_ACTS: Final = cast(Table, Act.__table__)
_BENCHES: Final = cast(Table, Bench.__table__)
_CALIPERS: Final = cast(Table, Caliper.__table__)
_EVENTS: Final = cast(Table, Event.__table__)
_READINGS: Final = cast(Table, ReadingRow.__table__)
_SERIES: Final = cast(Table, Series.__table__)
_TRIALS: Final = cast(Table, Trial.__table__)
_TRIAL_READINGS: Final = cast(Table, TrialReading.__table__)
_READING_COLUMNS: Final = (
    *("id", "bench_id", "seq", "caliper_id", "sent", "unit", "nm", "taken_at", "kept_at"),
    *("origin", "since_previous_ms", "late"),
)

Ask = Callable[[Row[Any], pairing.Folding, records.Reading], Question | None]
"""What is asked about a reading that would be placed: given its series' row and the fold so far."""


@dataclass(frozen=True, slots=True)
class BenchState:
    """A bench's state after the log entry `seq`; `series` is the row of the running one."""

    name: str
    id: int
    seq: int
    state: pairing.State
    series: Row[Any] | None


class EventRow(NamedTuple):
    """A row of `tables.Event` without its number and moment, which it gets at the commit."""

    bench_id: int
    kind: str
    subject: UUID | None
    data: dict[str, Any]


class Happened(NamedTuple):
    """An event as it was committed, with the name of its bench, and the reading where it is of one:
    what a reader of the store would find under `id`."""

    id: int
    bench_id: int
    bench: str
    kind: str
    subject: UUID | None
    data: dict[str, Any]
    reading: records.Reading | None


Committed = Callable[[set[int], Sequence[Happened]], None]


class Transactions:
    """The transactions of the store's one writer here. Safe to call from any thread; one writes at
    a time.

    `committed` is called after each commit that made events, from the writing thread, with the ids
    of the benches that they are of, and the events themselves where their numbers are known
    without asking (on SQLite). While `damaged` says that the store is, every transaction raises
    DamagedStore with what it says.
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
            benches = {event.bench_id for event in written.events}
        if benches:
            self._committed(benches, happened)

    @contextmanager
    def dry_run(self) -> Iterator[Connection]:
        """A transaction that all that is written within takes part in, and that is undone at the
        end; gives its connection, which sees what was written."""
        with self._lock:
            self._refuse_damaged()
            connection = self._writer.take()
            try:
                with connection.begin() as begun, statements.translated(connection):
                    self._open = Writing(self, connection)
                    yield connection
                    begun.rollback()
            except BaseException:
                self._writer.close()
                raise
            finally:
                self._open = None

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
        self.events: list[EventRow] = []
        self._known = transactions
        self._heard: dict[UUID, records.Reading] = {}

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
        if bench_id not in self._known.names:
            found = self.connection.scalar(select(Bench.name).where(Bench.id == bench_id))
            assert found is not None  # an event is of a bench
            self._known.names[bench_id] = found
        return self._known.names[bench_id]

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
                insert_new(self.connection, _BENCHES), [{"name": name, "last_seq": 0}]
            )
            return self.bench(name)
        bench_id, last_seq = found
        self._known.names[bench_id] = name
        known = self.benches.get(name) or self._known.benches.get(name)
        if known is None or known.seq != last_seq:
            state = pairing.fold(read_log(self.connection, bench_id))
            series = _series(self.connection, state)
            known = BenchState(name, bench_id, last_seq, state, series)
            self.benches[name] = known
        return known

    def begin(self, bench: BenchState, new: NewSeries, at: datetime | None) -> UUID:
        """Start a series on a bench whose row is locked."""
        series_id, at = new_id(), at or now()
        self._add_series(series_id, bench, new, at, None)
        self.append(bench, [records.Start(series_id, _layout(new))], at)
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
        del row["bench"]
        statements.write(self.connection, _SERIES, tuple(row), [tuple(row.values())])

    def append(
        self,
        bench: BenchState,
        entries: Iterable[records.Entry],
        at: datetime | None = None,
        ask: Ask | None = None,
    ) -> list[pairing.Outcome]:
        """Write `entries` to the bench's log, and the rows that follow from them.

        ask: decides what is asked about readings; None: nothing.
        """
        appended = _Appended(self, bench, at or now(), ask)
        outcomes = [appended.take(entry) for entry in entries]
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
            statements.write(self.connection, _READINGS, _READING_COLUMNS, appended.readings)
            self._move_bench(bench.id, appended.seq, state)
            if series is not None:
                self.project(bench.id, series, state, outcomes)
        if appended.acted:
            self.add_event(bench.id, "bench", state.series)
        ended = bench.series
        if ended is not None and ended.id != state.series and ended.strips is not None:
            # A verdict that was planned comes with the end.
            self.add_event(bench.id, "score", ended.id)
        self.benches[bench.name] = BenchState(bench.name, bench.id, appended.seq, state, series)
        return outcomes

    def correct(self, series_id: UUID, act: records.Correction, change: UUID) -> pairing.Outcome:
        """Write a correction of a series to its bench's log, and the rows that follow from it.

        One that does nothing is not written: its outcome says so. Raises NotFound where no series
        has that id.
        """
        bench = self.bench_of(series_id)
        entry = records.Corrected(series_id, act)
        state, outcome = pairing.apply(pairing.fold(read_series(self.connection, series_id)), entry)
        if outcome.did_nothing:
            return outcome
        self._append_act(bench, entry, change)
        self.project(bench.id, self.series(series_id), state.latest, [outcome])
        if isinstance(act, records.TakeBack | records.Restore) and act.reading is not None:
            self.add_event(bench.id, "fate", act.reading)
        if isinstance(act, records.MoveIn):
            for placed in (placed for trial in act.trials for placed in trial.slots if placed):
                self.add_event(bench.id, "fate", placed.reading.id)
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
        self.write_act(act_row(entry, new_id(), bench.id, seq, now(), change))
        self._move_bench(bench.id, seq, state)
        self.benches[bench.name] = replace(bench, seq=seq, state=state)

    def write_act(self, row: dict[str, Any]) -> None:
        statements.write(self.connection, _ACTS, tuple(row), [tuple(row.values())])

    def _move_bench(self, bench_id: int, seq: int, state: pairing.State) -> None:
        statements.run(
            self.connection,
            _MOVE_BENCH,
            bench=bench_id,
            last_seq=seq,
            series_id=state.series,
            awaiting=None if state.awaiting is None else state.awaiting.reading,
        )

    def series(self, series_id: UUID) -> Row[Any]:
        """The row of a series. Raises NotFound where there is none."""
        row = self.connection.execute(select(_SERIES).where(_SERIES.c.id == series_id)).first()
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
        for trial in rows:
            self.add_event(bench.id, "trial", trial.id)
        self.add_event(bench.id, "score", series_id)
        if bench.state.series == series_id:
            self.benches[bench.name] = replace(bench, state=state, series=row)
            self.add_event(bench.id, "bench", series_id)

    def project(
        self,
        bench_id: int,
        series: Row[Any],
        state: pairing.State,
        outcomes: Sequence[pairing.Outcome],
    ) -> None:
        """Write the trials that `outcomes` changed, from the folded state, with their events."""
        touched = {number for o in outcomes for number in o.trials}
        if not touched:
            return
        # Where readings were only added, the slots that are there already do not change.
        placed = {o.reading for o in outcomes if o.kind in _PLACED}
        moved = {
            pairing.trial_id(series.id, number)
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
                insert_new(self.connection, _CALIPERS),
                [{"name": name, "first_heard_at": heard_at, "shown": name}],
            )
            known = self.connection.execute(
                select(Caliper.id).where(Caliper.name == name)
            ).scalar_one()
            self.calipers[name] = known
        return known

    def add_event(
        self, bench_id: int, kind: str, subject: UUID | None, data: dict[str, Any] | None = None
    ) -> None:
        self.events.append(EventRow(bench_id, kind, subject, data or _NO_DATA))

    def heard(self, bench_id: int, reading: records.Reading, fate: dict[str, Any]) -> None:
        """The event of a reading, as its series reads it, with what became of it."""
        self._heard[reading.id] = reading
        self.add_event(bench_id, "reading", reading.id, fate)


class _Appended:
    """Entries as they are appended to a bench's log, one after the other."""

    def __init__(self, written: Writing, bench: BenchState, at: datetime, ask: Ask | None) -> None:
        self.folding = pairing.Folding(bench.state)
        self.seq = bench.seq
        self.at = at
        self.readings: list[tuple[Any, ...]] = []
        self.acted = False
        self._written = written
        self._bench = bench
        self._ask = ask
        # The start of a series and its readings never come in the same call.
        self._places: Sequence[Place] = ()
        if bench.series is not None:
            self._places = method_of(bench.series).places

    def take(self, entry: records.Entry) -> pairing.Outcome:
        if isinstance(entry, records.Press):
            return self._press(entry.reading)
        self.acted = True
        return self._act(entry)

    def _act(self, entry: records.Entry) -> pairing.Outcome:
        self.seq += 1
        self._written.write_act(act_row(entry, new_id(), self._bench.id, self.seq, self.at, None))
        return self.folding.take(entry)

    def _press(self, reading: records.Reading) -> pairing.Outcome:
        series = self._bench.series
        read, question = reading, None
        if series is not None:
            read = read_as(reading, series.readings_unit)
            if self._ask is not None and self.folding.would_place(read):
                question = self._ask(series, self.folding, read)
        if question is not None:
            self._act(records.Ask(reading.id, question))
        self.seq += 1
        caliper = self._written.caliper(reading.caliper, reading.taken_at)
        self.readings.append(_reading_row(reading, self._bench.id, self.seq, caliper, self.at))
        outcome = self.folding.take(records.Press(read))
        fate: dict[str, Any] = {
            "outcome": outcome.kind,
            "trial": outcome.trial,
            "place": None if outcome.place is None else self._places[outcome.place].key,
            "next": _next_json(self.folding, self._places, series),
        }
        if question is not None:
            fate["question"] = asdict(question)
        if read is not reading:
            fate["unit"] = read.unit
        self._written.heard(self._bench.id, read, fate)
        return outcome


_EVENT_LOCK: Final = 8017
_PLACED: Final = ("kept", "complete")
_CLEAR_SLOTS: Final = delete(_TRIAL_READINGS).where(
    _TRIAL_READINGS.c.trial_id == bindparam("trial")
)
_LOCK_AND_NOTIFY: Final = text(
    f"SELECT pg_advisory_xact_lock({_EVENT_LOCK}), pg_notify('{CHANNEL}', :benches)"
)
_LAST_NUMBER: Final = text("SELECT last_insert_rowid()")
_NO_DATA: Final[dict[str, Any]] = {}
_FIND_BENCH: Final = (
    select(Bench.id, Bench.last_seq).where(Bench.name == bindparam("name")).with_for_update()
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


def publish(connection: Connection, events: Sequence[EventRow]) -> None:
    """Number `events` and notify other processes; the last step before the commit."""
    at = now()
    rows = [(*each, at) for each in events]
    with statements.together(connection):
        if connection.dialect.name == "postgresql":
            # Numbers are assigned before the commit. Without this lock another process's lower
            # number could become visible after a reader has seen a higher one, and be missed.
            benches = ",".join(str(number) for number in sorted({e.bench_id for e in events}))
            statements.run(connection, _LOCK_AND_NOTIFY, benches=benches)
        statements.write(connection, _EVENTS, (*EventRow._fields, "at"), rows)


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


def _series(connection: Connection, state: pairing.State) -> Row[Any] | None:
    if state.series is None:
        return None
    return connection.execute(select(_SERIES).where(_SERIES.c.id == state.series)).one()


def _reading_row(
    reading: records.Reading, bench_id: int, seq: int, caliper_id: int, at: datetime
) -> tuple[Any, ...]:
    """In the order of `_READING_COLUMNS`."""
    return (
        reading.id,
        bench_id,
        seq,
        caliper_id,
        reading.sent,
        reading.unit,
        reading.nm,
        reading.taken_at,
        at,
        reading.origin,
        reading.since_previous_ms,
        reading.late,
    )


def _next_json(
    folding: pairing.Folding, places: Sequence[Place], series: Row[Any] | None
) -> dict[str, Any] | None:
    at = folding.next
    if at is None or series is None:
        return None
    return NextPlace(at, places[at.place], series.repeats).as_json()


def insert_new(connection: Connection, table: Table) -> Any:
    """An INSERT that skips rows which are there already."""
    dialect = sqlite if connection.dialect.name == "sqlite" else postgresql
    return dialect.insert(table).on_conflict_do_nothing()
