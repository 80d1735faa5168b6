"""The journal: the only writer of what benches say.

Each entry gets the next number of its bench's order, is folded into trials, and is committed with
its events, all in one transaction. A call returns only after the commit: an acknowledgement
promises that the reading is on the disk.

The folded state of each bench is cached between calls, and read back from the log whenever the
bench's last number shows that another process has written in between. So several processes may
share a store, and a process that was killed loses nothing.

Every writer takes its locks in one order, so that there are no deadlocks: benches by name, new
calipers by name, and last the events, whose numbers must appear in the order of commits.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, fields, replace
from datetime import UTC, datetime, timedelta
from typing import Any, Final, NamedTuple, cast
from uuid import UUID

import uuid_utils
from sqlalchemy import (
    Connection,
    Engine,
    Row,
    Table,
    any_,
    bindparam,
    delete,
    event,
    insert,
    select,
    text,
    update,
)
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import OperationalError, SQLAlchemyError

from analysis.methods import Method, Place
from api.errors import Conflict, NotFound
from api.store import statements
from api.store.engine import CHANNEL, DamagedStore, StoreError, Writer
from api.store.facts import method_of
from api.store.log import read_log, read_series
from api.store.next_place import NextPlace
from api.store.projection import SlotRow, TrialRow, project
from api.store.tables import (
    Act,
    Bench,
    Caliper,
    Event,
    Machine,
    Refusal,
    RulesSaid,
    Series,
    SetupChange,
    Trial,
    TrialReading,
)
from api.store.tables import Reading as ReadingRow
from capture import pairing, records

_ACTS: Final = cast(Table, Act.__table__)
_BENCHES: Final = cast(Table, Bench.__table__)
_CALIPERS: Final = cast(Table, Caliper.__table__)
_EVENTS: Final = cast(Table, Event.__table__)
_MACHINES: Final = cast(Table, Machine.__table__)
_READINGS: Final = cast(Table, ReadingRow.__table__)
_REFUSALS: Final = cast(Table, Refusal.__table__)
_RULES_SAID: Final = cast(Table, RulesSaid.__table__)
_SERIES: Final = cast(Table, Series.__table__)
_TRIALS: Final = cast(Table, Trial.__table__)
_TRIAL_READINGS: Final = cast(Table, TrialReading.__table__)
_READING_COLUMNS: Final = (
    *("id", "bench_id", "seq", "caliper_id", "sent", "unit", "nm", "taken_at", "kept_at"),
    *("origin", "since_previous_ms", "late"),
)

_ACT_KINDS: Final[dict[type[records.Entry], str]] = {
    records.Start: "start",
    records.TakeBack: "take back",
    records.SwapEnds: "swap ends",
    records.Restore: "restore",
    records.Finish: "finish",
    records.Resume: "resume",
}
_NOTHING: Final[dict[str, str]] = {
    "nothing to take back": "there is no such reading to take back; measure first",
    "nothing to swap": "there are no ends to swap: the method has none, or nothing is read yet",
    "nothing to restore": "no reading with that id was set aside in this series",
}


@dataclass(frozen=True, slots=True)
class NewSeries:
    """The settings of a new series; fields as in `tables.Series`."""

    machine_id: UUID
    bench: str
    method: Method
    unit: str
    baseline: str | None
    baseline_nm: int | None
    thickness: str | None
    thickness_nm: int | None
    inset: str
    inset_nm: int
    strip_side: str
    repeats: int
    pieces: int | None = None
    tolerance_deg: str | None = None
    tolerance_gap: str | None = None
    tolerance_joint: str | None = None
    tolerance_length: str | None = None
    tolerance_nominal: str | None = None
    note: str | None = None
    person: str | None = None
    baseline_within: str | None = None
    inset_within: str | None = None
    straightness: str | None = None
    thickness_within: str | None = None
    jaw_width_nm: int | None = None
    strips: int | None = None


class PastSeries(NamedTuple):
    """A series that is over, with its machine's name and kind in place of `new.machine_id`."""

    machine: str
    kind: str
    new: NewSeries
    readings: Sequence[records.Reading]
    began: datetime
    ended: datetime


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """How many readings were stored now, how many were there already, and what each one did.

    conflicting: those whose id the store has with another value; they were not stored.
    """

    stored: int
    known: int
    outcomes: tuple[pairing.Outcome, ...] = ()
    conflicting: tuple[records.Reading, ...] = ()


@dataclass(frozen=True, slots=True)
class _BenchState:
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


def new_id() -> UUID:
    """A UUIDv7 (RFC 9562), so that ids sort by the time they were made."""
    return UUID(int=uuid_utils.uuid7().int)


def now() -> datetime:
    return datetime.now(UTC)


class Journal:
    """Appends to the store. Safe to call from any thread; one writes at a time.

    `committed` is called after each commit that made events, from the writing thread, with the ids
    of the benches that they are of, and the events themselves where their numbers are known
    without asking (on SQLite). While `damaged` says that the store is, every call raises
    DamagedStore with what it says.
    """

    def __init__(
        self,
        engine: Engine,
        committed: Callable[[set[int], Sequence[Happened]], None] = lambda _benches, _events: None,
        damaged: Callable[[], str] = lambda: "",
    ) -> None:
        self._engine = engine
        self._damaged = damaged
        self._writer = Writer(engine)
        self._committed = committed
        # Reentrant: a store whose log was lost is reopened during a write.
        self._lock = threading.RLock()
        self._benches: dict[str, _BenchState] = {}
        self._calipers: dict[str, int] = {}
        # What the running transaction adds to the two above when it commits.
        self._new_benches: dict[str, _BenchState] = {}
        self._new_calipers: dict[str, int] = {}
        self._events: list[EventRow] = []
        self._heard: dict[UUID, records.Reading] = {}
        self._names: dict[int, str] = {}
        event.listen(engine, "engine_disposed", self._rest)

    # ------------------------------------------------------------ what benches say

    def keep(self, readings: Sequence[records.Reading]) -> Acknowledgement:
        """Store `readings` in the order given; those whose id is known are skipped."""
        with self._writing() as connection:
            return self._keep(connection, [readings])[0]

    def keep_each(
        self, asked: Sequence[Sequence[records.Reading]]
    ) -> list[Acknowledgement | Exception]:
        """Do `keep` for each of `asked`, in one transaction: many that come together wait for one
        commit. Gives each one's answer, or what went wrong with it alone."""
        try:
            with self._writing() as connection:
                return list(self._keep(connection, asked))
        except Exception as error:
            if len(asked) == 1 or isinstance(error, (OperationalError, StoreError)):
                return [error] * len(asked)  # it is the store's, not that of one of them
        return [each for one in asked for each in self.keep_each([one])]

    def _keep(
        self, connection: Connection, asked: Sequence[Sequence[records.Reading]]
    ) -> list[Acknowledgement]:
        # The benches' rows are locked first, so no other process can store these ids meanwhile.
        names = sorted({r.bench for readings in asked for r in readings})
        benches = {name: self._bench(connection, name) for name in names}
        heard = {r.caliper: r.taken_at for readings in asked for r in reversed(readings)}
        for caliper in sorted(heard):
            self._caliper(connection, caliper, heard[caliper])
        return [self._keep_locked(connection, benches, readings) for readings in asked]

    def _keep_locked(
        self,
        connection: Connection,
        benches: Mapping[str, _BenchState],
        readings: Sequence[records.Reading],
    ) -> Acknowledgement:
        outcomes: list[pairing.Outcome] = []
        conflicting: list[records.Reading] = []
        for name, of_bench in _by_bench(readings).items():
            bench = self._new_benches.get(name) or benches[name]
            new, others = self._unknown(connection, bench.id, of_bench)
            conflicting += others
            if new:
                outcomes += self._append(connection, bench, map(records.Press, new))
        stored = len(outcomes)
        known = len(readings) - stored - len(conflicting)
        return Acknowledgement(stored, known, tuple(outcomes), tuple(conflicting))

    def start(self, new: NewSeries, at: datetime | None = None) -> UUID:
        """Begin a series, now or `at`: from then on its bench feeds it, and no other.

        Raises NotFound where there is no such machine, and Conflict where another series was
        started on the bench during this call, and has no reading yet: of two that start together
        one wins, and the other gets the error.
        """
        running = self._running(new.bench)
        with self._writing() as connection:
            _need_machine(connection, new.machine_id)
            bench = self._bench(connection, new.bench)
            if bench.state.series not in (None, running) and not bench.state.last_heard:
                raise Conflict(
                    f"another series was started on bench {new.bench} at the same moment;"
                    " look which one runs, and start again if yours should take its place"
                )
            return self._begin(connection, bench, new, at)

    def finish(self, series_id: UUID, at: datetime | None = None) -> None:
        """End a series, now or `at`; one that has ended already stays as it is.

        Raises NotFound where no series has that id.
        """
        with self._writing() as connection:
            bench = self._bench_of(connection, series_id)
            if bench.state.series == series_id:
                self._append(connection, bench, [records.Finish()], at)

    def load(self, bench: str, past: Sequence[PastSeries]) -> list[UUID]:
        """Store series that are over, all of one bench, in one transaction; returns their ids.

        A series that runs there is finished first. Readings whose id is known are skipped, and so
        is a series that has no others.
        """
        readings = [reading for each in past for reading in each.readings]
        stored: list[UUID] = []
        with self._writing() as connection:
            locked = self._bench(connection, bench)
            heard = {r.caliper: r.taken_at for r in reversed(readings)}
            for caliper in sorted(heard):
                self._caliper(connection, caliper, heard[caliper])
            unknown = {r.id for r in self._unknown(connection, locked.id, readings)[0]}
            if unknown and locked.series is not None:
                self._append(connection, locked, [records.Finish()])
            named = {each.machine: each.kind for each in reversed(past)}
            machines = {m: self._machine(connection, m, named[m]) for m in sorted(named)}
            for each in past:
                new = [records.Press(r) for r in each.readings if r.id in unknown]
                if new:
                    settings = replace(each.new, bench=bench, machine_id=machines[each.machine])
                    locked = self._bench(connection, bench)
                    stored.append(self._begin(connection, locked, settings, each.began))
                    self._append(connection, self._new_benches[bench], new)
                    self._append(
                        connection, self._new_benches[bench], [records.Finish()], each.ended
                    )
        return stored

    def resume(self, series_id: UUID) -> None:
        """Let the bench of a series that ended feed it again; one that runs stays as it is.

        Raises NotFound where no series has that id, and Conflict, naming it, where another one
        runs on the bench.
        """
        with self._writing() as connection:
            bench = self._bench_of(connection, series_id)
            if bench.state.series == series_id:
                return
            if bench.series is not None:
                machine = select(Machine.name).where(Machine.id == bench.series.machine_id)
                raise Conflict(
                    f"a series of {connection.execute(machine).scalar()} by"
                    f" {method_of(bench.series).title} runs on bench {bench.name}; finish it first"
                )
            state = pairing.fold(read_series(connection, series_id))
            if state.series is not None:  # it ended as another one started
                state, _ = pairing.apply(state, records.Finish())
            connection.execute(
                update(_SERIES).where(_SERIES.c.id == series_id).values(finished_at=None)
            )
            self._append(connection, replace(bench, state=state), [records.Resume(series_id)])

    def act(
        self, name: str, entry: records.TakeBack | records.SwapEnds | records.Restore
    ) -> pairing.Outcome:
        """Do what the person at the bench asks, and return the outcome.

        Raises Conflict where no series runs on the bench, or there is nothing to do it to.
        """
        with self._writing() as connection:
            bench = self._bench(connection, name)
            # Tried first: an act that does nothing is not logged.
            _, outcome = pairing.apply(bench.state, entry)
            if outcome.kind == "no series":
                raise Conflict(f"no series runs on bench {name}; start one first")
            if outcome.kind in _NOTHING:
                raise Conflict(_NOTHING[outcome.kind])
            return self._append(connection, bench, [entry])[0]

    def refuse(self, refusal: records.Refusal) -> bool:
        """Store what an instrument sent that is not a reading; returns whether it was new."""
        with self._writing() as connection:
            bench_id = self._bench(connection, refusal.bench).id
            row = {
                "id": refusal.id,
                "bench_id": bench_id,
                "caliper_id": self._caliper(connection, refusal.caliper, refusal.heard_at),
                "raw": refusal.raw,
                "reason": refusal.reason,
                "heard_at": refusal.heard_at,
            }
            # The bench's row is locked, so no other process can insert this id before the commit.
            if not connection.execute(_FIND_REFUSAL, {"id": refusal.id}).first():
                connection.execute(insert(_REFUSALS).values(row))
                self._add_event(bench_id, "refusal", refusal.id)
                return True
        return False

    def report(self, state: records.CaliperState) -> None:
        """Publish the state of an instrument."""
        data = {
            "name": state.caliper,
            "bench": state.bench,
            "state": state.state,
            "message": state.message,
            "last_heard": state.last_heard.isoformat() if state.last_heard else None,
        }
        with self._writing() as connection:
            self._add_event(self._bench(connection, state.bench).id, "caliper", None, data)

    def compare_clock(self, name: str, behind_ms: int) -> None:
        """Record how far a bench's clock is behind the store's, when that has changed.

        The difference includes the time that the message took, so small ones mean nothing.
        """
        with self._writing() as connection:
            bench = self._bench(connection, name)
            known = connection.execute(
                select(Bench.clock_behind_ms, Bench.clock_checked_at).where(Bench.id == bench.id)
            ).one()
            if (
                known.clock_behind_ms is None
                or abs(known.clock_behind_ms - behind_ms) > _CLOCK_NEWS_MS
                or now() - known.clock_checked_at > _CLOCK_NEWS_AFTER
            ):
                connection.execute(
                    update(Bench)
                    .where(Bench.id == bench.id)
                    .values(clock_behind_ms=behind_ms, clock_checked_at=now())
                )

    # ------------------------------------------------------------ machines and series

    def add_machine(self, name: str, kind: str) -> UUID:
        """A new machine's id; that of the one with this name where there is one."""
        with self._writing() as connection:
            return self._machine(connection, name, kind)

    def add_setup_change(self, machine_id: UUID, kind: str, at: datetime, note: str | None) -> UUID:
        """Record what happened to a machine; the bench that measured it last gets an event, since
        the answers about its series rest on this too.

        Raises NotFound where no machine has that id.
        """
        change_id = new_id()
        with self._writing() as connection:
            _need_machine(connection, machine_id)
            bench_id = connection.execute(_MEASURED_AT, {"machine": machine_id}).scalar()
            if bench_id is not None:
                data = {"machine": str(machine_id), "kind": kind, "at": at.isoformat()}
                self._add_event(bench_id, "setup change", change_id, data)
            connection.execute(
                insert(SetupChange).values(
                    id=change_id,
                    machine_id=machine_id,
                    kind=kind,
                    at=at,
                    note=note,
                    recorded_at=now(),
                )
            )
        return change_id

    def note(self, series_id: UUID, note: str | None) -> None:
        """Change the note of a series; the previous text stays in the events.

        Raises NotFound where no series has that id.
        """
        found = select(Series.bench_id, Series.note).where(Series.id == series_id)
        with self._writing() as connection:
            series = connection.execute(found.with_for_update()).first()
            if series is None:
                raise NotFound("no series has that id")
            if series.note == note:
                return
            connection.execute(update(_SERIES).where(_SERIES.c.id == series_id).values(note=note))
            data = {"series": str(series_id), "note": note, "before": series.note}
            self._add_event(series.bench_id, "note", series_id, data)

    def say_jaw_width(self, series_id: UUID, nm: int | None) -> None:
        """Change what a series says of the width of its jaws, and the values of its trials that
        follow from it; the previous width stays in the events.

        Raises NotFound where no series has that id.
        """
        with self._writing() as connection:
            bench = self._bench_of(connection, series_id)
            series = connection.execute(select(_SERIES).where(_SERIES.c.id == series_id)).one()
            if series.jaw_width_nm == nm:
                return
            new = update(_SERIES).where(_SERIES.c.id == series_id).values(jaw_width_nm=nm)
            connection.execute(new)
            changed = connection.execute(select(_SERIES).where(_SERIES.c.id == series_id)).one()
            state = pairing.fold(read_series(connection, series_id))
            rows, _ = project(changed, state, [trial.number for trial in state.trials])
            write_trials(connection, rows, [])
            if bench.series is not None and bench.series.id == series_id:
                self._new_benches[bench.name] = replace(bench, series=changed)
            data = {"series": str(series_id), "nm": nm, "before": series.jaw_width_nm}
            self._add_event(bench.id, "jaw width", series_id, data)
            for row in rows:
                self._add_event(bench.id, "trial", row.id)
            self._add_event(bench.id, "score", series_id)

    def say_jaw_width_of(self, caliper: str, nm: int | None) -> None:
        """Remember the width of a caliper's jaws, for the series that begin from now on."""
        with self._writing() as connection:
            known = self._caliper(connection, caliper, now())
            connection.execute(
                update(_CALIPERS).where(_CALIPERS.c.id == known).values(jaw_width_nm=nm)
            )

    def say_rules(self, rules: int, program: str, changed: dict[str, Any] | None) -> bool:
        """Record that verdicts are said by these rules from now on, and which of them that changed;
        whether this was the first to do so: another server may have."""
        row = {"id": new_id(), "rules": rules, "program": program, "said_at": now()}
        with self._writing() as connection:
            statement = _insert_new(connection, _RULES_SAID)
            said = connection.execute(statement, {**row, "changed": changed, "seen_at": None})
            return bool(said.rowcount)

    def rules_seen(self, rules: int) -> None:
        """A person was told what these rules changed."""
        told = (_RULES_SAID.c.rules == rules) & _RULES_SAID.c.seen_at.is_(None)
        with self._writing() as connection:
            connection.execute(update(_RULES_SAID).where(told).values(seen_at=now()))

    def check(self) -> None:
        """Raise DamagedStore where the store is damaged, GoneStore where its files are not those
        that were opened."""
        self._refuse_damaged()
        self._writer.check()

    def reached(self, name: str) -> int | None:
        """The number of the bench's last entry, as far as this server knows or the store can be
        read; None where neither does."""
        known = self._benches.get(name)
        if known is not None:
            return known.seq
        try:
            with self._engine.connect() as connection:
                said = connection.execute(select(Bench.last_seq).where(Bench.name == name)).scalar()
        except SQLAlchemyError:
            return None
        return said if isinstance(said, int) else None

    def end_where_behind(self, name: str, reached: int | None) -> bool:
        """End the series that runs on the bench where its last entry is before number `reached`
        (None: before any): entries are lost. Returns whether one was ended."""
        with self._writing() as connection:
            bench = self._bench(connection, name)
            behind = reached is None or bench.seq < reached
            if bench.series is not None and behind:
                self._append(connection, bench, [records.Finish()])
                return True
        return False

    def next_place(self, name: str) -> pairing.Next | None:
        """Where the bench's next reading will go, None while no series runs on it."""
        with self._writing() as connection:
            return pairing.next_place(self._bench(connection, name).state)

    # ------------------------------------------------------------ inside one transaction

    def _refuse_damaged(self) -> None:
        if why := self._damaged():
            raise DamagedStore(why)

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        with self._lock:
            self._new_benches, self._new_calipers, self._events = {}, {}, []
            self._heard = {}
            happened: list[Happened] = []
            self._refuse_damaged()
            connection = self._writer.take()
            try:
                with connection.begin(), statements.translated(connection):
                    yield connection
                    if self._events:
                        publish(connection, self._events)
                        happened = self._numbered(connection)
                self._writer.confirm()
            except BaseException:
                self._writer.close()
                raise
            self._benches |= self._new_benches
            self._calipers |= self._new_calipers
            benches = {event.bench_id for event in self._events}
        if benches:
            self._committed(benches, happened)

    def _numbered(self, connection: Connection) -> list[Happened]:
        """The events that were just written, which have numbers in a row: nobody else writes."""
        if connection.dialect.name != "sqlite":
            return []
        (last,) = statements.first(connection, _LAST_NUMBER) or (0,)
        first = last - len(self._events) + 1
        return [
            Happened(
                first + at,
                each.bench_id,
                self._names[each.bench_id],
                each.kind,
                each.subject,
                each.data,
                self._heard.get(each.subject) if each.subject and each.kind == "reading" else None,
            )
            for at, each in enumerate(self._events)
        ]

    def _rest(self, _engine: Engine) -> None:
        with self._lock:
            self._writer.close()

    def _running(self, name: str) -> UUID | None:
        """The series that the bench feeds as this call arrives."""
        with self._engine.connect() as connection:
            return connection.execute(select(Bench.series_id).where(Bench.name == name)).scalar()

    def _bench_of(self, connection: Connection, series_id: UUID) -> _BenchState:
        """The bench of a series, as `_bench` gives it.

        Raises NotFound where no series has that id.
        """
        name = connection.execute(
            select(Bench.name)
            .join(Series, Series.bench_id == Bench.id)
            .where(Series.id == series_id)
        ).scalar()
        if name is None:
            raise NotFound("no series has that id")
        return self._bench(connection, name)

    def _bench(self, connection: Connection, name: str) -> _BenchState:
        """The bench, created if it is new, with its row locked and its state up to date."""
        found = statements.first(connection, _FIND_BENCH, name=name)
        if found is None:
            connection.execute(_insert_new(connection, _BENCHES), [{"name": name, "last_seq": 0}])
            return self._bench(connection, name)
        bench_id, last_seq = found
        self._names[bench_id] = name
        known = self._new_benches.get(name) or self._benches.get(name)
        if known is None or known.seq != last_seq:
            state = pairing.fold(read_log(connection, bench_id))
            series = _series(connection, state)
            known = _BenchState(name, bench_id, last_seq, state, series)
            self._new_benches[name] = known
        return known

    def _machine(self, connection: Connection, name: str, kind: str) -> UUID:
        by_name = select(Machine.id).where(Machine.name == name)
        known = connection.execute(by_name).scalar()
        if known is None:
            row = {"id": new_id(), "name": name, "kind": kind, "created_at": now()}
            connection.execute(_insert_new(connection, _MACHINES), [row])
            known = connection.execute(by_name).scalar_one()
        return known

    def _begin(
        self, connection: Connection, bench: _BenchState, new: NewSeries, at: datetime | None
    ) -> UUID:
        """Start a series on a bench whose row is locked."""
        series_id = new_id()
        layout = records.Layout(
            places=len(new.method.places),
            repeats=new.repeats,
            swap=new.method.swap,
            closed_jaws=new.method.closed_jaws,
        )
        row = {field.name: getattr(new, field.name) for field in fields(new)}
        row |= {"method": new.method.key, "method_data": new.method.definition}
        row |= {"id": series_id, "bench_id": bench.id, "started_at": at or now()}
        del row["bench"]
        statements.write(connection, _SERIES, tuple(row), [tuple(row.values())])
        self._append(connection, bench, [records.Start(series_id, layout)], at)
        return series_id

    def _append(
        self,
        connection: Connection,
        bench: _BenchState,
        entries: Iterable[records.Entry],
        at: datetime | None = None,
    ) -> list[pairing.Outcome]:
        """Write `entries` to the bench's log, and the rows that follow from them."""
        folding, seq, at = pairing.Folding(bench.state), bench.seq, at or now()
        outcomes: list[pairing.Outcome] = []
        readings: list[tuple[Any, ...]] = []
        acted = False
        # The start of a series and its readings never come in the same call.
        places: Sequence[Place] = ()
        if bench.series is not None:
            places = method_of(bench.series).places
        for entry in entries:
            seq += 1
            outcome = folding.take(entry)
            outcomes.append(outcome)
            if isinstance(entry, records.Press):
                reading = entry.reading
                caliper = self._caliper(connection, reading.caliper, reading.taken_at)
                readings.append(_reading_row(reading, bench.id, seq, caliper, at))
                fate = {
                    "outcome": outcome.kind,
                    "trial": outcome.trial,
                    "place": None if outcome.place is None else places[outcome.place].key,
                    "next": _next_json(folding, places, bench.series),
                }
                self._heard[reading.id] = reading
                self._add_event(bench.id, "reading", reading.id, fate)
            else:
                acted = True
                act = _act_row(entry, bench.id, seq, at)
                statements.write(connection, _ACTS, tuple(act), [tuple(act.values())])

        state, series = folding.state, bench.series
        if state.series != bench.state.series:
            if bench.state.series is not None:
                statements.run(connection, _END_SERIES, series=bench.state.series, finished_at=at)
            series = _series(connection, state)
        with statements.together(connection):
            statements.write(connection, _READINGS, _READING_COLUMNS, readings)
            statements.run(
                connection, _MOVE_BENCH, bench=bench.id, last_seq=seq, series_id=state.series
            )
            if series is not None:
                self._project(connection, bench.id, series, state, outcomes)
        if acted:
            self._add_event(bench.id, "bench", state.series)
        ended = bench.series
        if ended is not None and ended.id != state.series and ended.strips is not None:
            # A verdict that was planned comes with the end.
            self._add_event(bench.id, "score", ended.id)
        self._new_benches[bench.name] = _BenchState(bench.name, bench.id, seq, state, series)
        return outcomes

    def _project(
        self,
        connection: Connection,
        bench_id: int,
        series: Row[Any],
        state: pairing.State,
        outcomes: Sequence[pairing.Outcome],
    ) -> None:
        """Write the trials that `outcomes` changed, from the folded state, with their events."""
        touched = {o.trial for o in outcomes if o.trial is not None}
        if not touched:
            return
        # Where readings were only added, the slots that are there already do not change.
        placed = {o.reading for o in outcomes if o.kind in _PLACED}
        moved = {
            pairing.trial_id(series.id, o.trial)
            for o in outcomes
            if o.trial is not None and o.kind not in _PLACED
        }
        rows, slots = project(series, state, sorted(touched))
        slots = [s for s in slots if s.reading_id in placed or s.trial_id in moved]
        for trial_id in moved:
            statements.run(connection, _CLEAR_SLOTS, trial=trial_id)
        write_trials(connection, rows, slots)
        for row in rows:
            self._add_event(bench_id, "trial", row.id)
        self._add_event(bench_id, "score", series.id)

    def _caliper(self, connection: Connection, name: str, heard_at: datetime) -> int:
        known = self._new_calipers.get(name) or self._calipers.get(name)
        if known is None:
            connection.execute(
                _insert_new(connection, _CALIPERS), [{"name": name, "first_heard_at": heard_at}]
            )
            known = connection.execute(select(Caliper.id).where(Caliper.name == name)).scalar_one()
            self._new_calipers[name] = known
        return known

    def _unknown(
        self, connection: Connection, bench_id: int, readings: list[records.Reading]
    ) -> tuple[list[records.Reading], list[records.Reading]]:
        """Those of `readings` that the store does not have, each once; and those whose id it has,
        or that appeared earlier in `readings`, with another value."""
        ids = list(dict.fromkeys(r.id for r in readings))
        if len(ids) == 1:
            found = statements.find(connection, _KNOWN_ONE, id=ids[0])
        elif connection.dialect.name == "sqlite":
            found = statements.find(connection, _KNOWN_SQLITE, ids=json.dumps([i.hex for i in ids]))
        else:
            found = statements.find(connection, _KNOWN_POSTGRESQL, ids=ids)
        known = {UUID(str(key)): tuple(said) for key, *said in found}
        new: list[records.Reading] = []
        conflicting: list[records.Reading] = []
        for reading in readings:
            caliper = self._caliper(connection, reading.caliper, reading.taken_at)
            said = (bench_id, caliper, reading.sent, reading.unit, reading.nm)
            if reading.id not in known:
                known[reading.id] = said
                new.append(reading)
            elif known[reading.id] != said:
                conflicting.append(reading)
        return new, conflicting

    def _add_event(
        self, bench_id: int, kind: str, subject: UUID | None, data: dict[str, Any] | None = None
    ) -> None:
        self._events.append(EventRow(bench_id, kind, subject, data or _NO_DATA))


_CLOCK_NEWS_MS: Final = 1000
_CLOCK_NEWS_AFTER: Final = timedelta(hours=1)
_EVENT_LOCK: Final = 8017
_PLACED: Final = ("kept", "complete")
_CLEAR_SLOTS: Final = delete(_TRIAL_READINGS).where(
    _TRIAL_READINGS.c.trial_id == bindparam("trial")
)
_LOCK_AND_NOTIFY: Final = text(
    f"SELECT pg_advisory_xact_lock({_EVENT_LOCK}), pg_notify('{CHANNEL}', :benches)"
)
_LAST_NUMBER: Final = text("SELECT last_insert_rowid()")
_FIND_REFUSAL: Final = select(_REFUSALS.c.id).where(_REFUSALS.c.id == bindparam("id"))
_MEASURED_AT: Final = (
    select(_SERIES.c.bench_id)
    .where(_SERIES.c.machine_id == bindparam("machine"))
    .order_by(_SERIES.c.started_at.desc())
    .limit(1)
)
_NO_DATA: Final[dict[str, Any]] = {}
_SAID: Final = (
    *(_READINGS.c.id, _READINGS.c.bench_id, _READINGS.c.caliper_id),
    *(_READINGS.c.sent, _READINGS.c.unit, _READINGS.c.nm),
)
# All ids as one value: with a list of them the statement would be compiled each time.
_KNOWN_SQLITE: Final = text(
    "SELECT id, bench_id, caliper_id, sent, unit, nm FROM readings"
    " WHERE id IN (SELECT value FROM json_each(:ids))"
)
_KNOWN_POSTGRESQL: Final = select(*_SAID).where(
    _READINGS.c.id == any_(bindparam("ids", type_=postgresql.ARRAY(_READINGS.c.id.type)))
)
_KNOWN_ONE: Final = select(*_SAID).where(_READINGS.c.id == bindparam("id"))
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
    .values(last_seq=bindparam("last_seq"), series_id=bindparam("series_id"))
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


def _by_bench(readings: Sequence[records.Reading]) -> dict[str, list[records.Reading]]:
    benches: dict[str, list[records.Reading]] = {}
    for reading in readings:
        benches.setdefault(reading.bench, []).append(reading)
    return benches


def _need_machine(connection: Connection, machine_id: UUID) -> None:
    if connection.scalar(select(Machine.id).where(Machine.id == machine_id)) is None:
        raise NotFound("no machine has that id; make the machine first")


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


def _act_row(entry: records.Entry, bench_id: int, seq: int, at: datetime) -> dict[str, Any]:
    start = entry if isinstance(entry, records.Start) else None
    begins = entry if isinstance(entry, records.Start | records.Resume) else None
    return {
        "id": new_id(),
        "bench_id": bench_id,
        "seq": seq,
        "kind": _ACT_KINDS[type(entry)],
        "series_id": begins.series if begins else None,
        "layout": asdict(start.layout) if start else None,
        # What was asked, not its outcome, so that a replay asks the same.
        "reading_id": getattr(entry, "reading", None),
        "trial": getattr(entry, "trial", None),
        "at": at,
    }


def _insert_new(connection: Connection, table: Table) -> Any:
    """An INSERT that skips rows which are there already."""
    dialect = sqlite if connection.dialect.name == "sqlite" else postgresql
    return dialect.insert(table).on_conflict_do_nothing()
