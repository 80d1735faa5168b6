"""The journal: what benches say, and the machines and series that they measure.

Each call is one transaction (`transactions`).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, Final, NamedTuple, cast
from uuid import UUID

from sqlalchemy import Connection, Engine, Table, any_, bindparam, insert, select, text, update
from sqlalchemy.dialects import postgresql
from sqlalchemy.exc import OperationalError, SQLAlchemyError

from api.errors import Conflict, NotFound
from api.store import statements
from api.store.appending import BenchState
from api.store.asking import Asking
from api.store.authors import NOBODY, Author
from api.store.engine import StoreError
from api.store.facts import method_of
from api.store.log import read_series
from api.store.new_series import NewSeries, PastSeries
from api.store.publishing import Committed
from api.store.rows.machines import called
from api.store.rows.machines import machine as machine_row
from api.store.setup_records import add_change, changed_between
from api.store.squares import add_square
from api.store.stamps import new_id, now
from api.store.stop_records import past_stop
from api.store.tables import Bench, Machine, Refusal, RulesSaid, Series
from api.store.tables import Reading as ReadingRow
from api.store.transactions import Transactions, Writing
from capture import folded, pairing, records

_MACHINES: Final = cast(Table, Machine.__table__)
_READINGS: Final = cast(Table, ReadingRow.__table__)
_REFUSALS: Final = cast(Table, Refusal.__table__)
_RULES_SAID: Final = cast(Table, RulesSaid.__table__)
_SERIES: Final = cast(Table, Series.__table__)

_AWAY_ALREADY: Final = (
    "no strip was cut since: the next strip begins another visit to the stop already"
)
_NOTHING: Final[dict[str, str]] = {
    "nothing to take back": "there is no such reading to take back; measure first",
    "nothing to swap": "there are no ends to swap: the method has none, or nothing is read yet",
    "nothing to change": "the machine was not swung away since the last strip",
    "nothing to restore": "no reading with that id was set aside in this series",
}


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """How many readings were stored now, how many were there already, and what each one did.

    conflicting: those whose id the store has with another value; they were not stored.
    """

    stored: int
    known: int
    outcomes: tuple[folded.Outcome, ...] = ()
    conflicting: tuple[records.Reading, ...] = ()


class Handed(NamedTuple):
    """Readings that one request hands over, and who asks. more: others of it follow, so nothing is
    asked about these."""

    readings: Sequence[records.Reading]
    by: Author = NOBODY
    more: bool = False


class Journal:
    """Appends to the store. Safe to call from any thread; one writes at a time. `by` says who asks.

    `committed` and `damaged` as of `transactions`, in which others write too.
    """

    def __init__(
        self,
        engine: Engine,
        committed: Committed = lambda _benches, _events: None,
        damaged: Callable[[], str] = lambda: "",
    ) -> None:
        self._engine = engine
        self.transactions = Transactions(engine, committed, damaged)
        self._asking = Asking()

    # ------------------------------------------------------------ what benches say

    def keep(
        self, readings: Sequence[records.Reading], *, ask: bool = True, by: Author = NOBODY
    ) -> Acknowledgement:
        """Store `readings` in the order given; those whose id is known are skipped.

        ask: whether one that can hardly be right waits for an answer.
        """
        with self.transactions.writing() as written:
            return self._keep(written, [Handed(readings, by)], ask)[0]

    def keep_each(self, asked: Sequence[Handed]) -> list[Acknowledgement | Exception]:
        """Do `keep` for each of `asked`, in one transaction: many that come together wait for one
        commit. Gives each one's answer, or what went wrong with it alone."""
        try:
            with self.transactions.writing() as written:
                return list(self._keep(written, asked))
        except Exception as error:
            if len(asked) == 1 or isinstance(error, (OperationalError, StoreError)):
                return [error] * len(asked)  # it is the store's, not that of one of them
        return [each for one in asked for each in self.keep_each([one])]

    def _keep(
        self, written: Writing, asked: Sequence[Handed], ask: bool = True
    ) -> list[Acknowledgement]:
        # The benches' rows are locked first, so no other process can store these ids meanwhile.
        names = sorted({r.bench for handed in asked for r in handed.readings})
        benches = {name: written.bench(name) for name in names}
        heard = {r.caliper: r.taken_at for handed in asked for r in reversed(handed.readings)}
        for caliper in sorted(heard):
            written.caliper(caliper, heard[caliper])
        for through in sorted({handed.by.through or "" for handed in asked}):
            written.authored(Author(None, through or None))
        return [
            self._keep_locked(written, benches, handed, ask and not handed.more) for handed in asked
        ]

    def _keep_locked(
        self,
        written: Writing,
        benches: Mapping[str, BenchState],
        handed: Handed,
        ask: bool,
    ) -> Acknowledgement:
        readings, by, _more = handed
        outcomes: list[folded.Outcome] = []
        conflicting: list[records.Reading] = []
        for name, of_bench in _by_bench(readings).items():
            bench = written.benches.get(name) or benches[name]
            new, others = self._unknown(written, bench.id, of_bench)
            conflicting += others
            if new:
                asking = self._asking.ask(written.connection, {r.id for r in new[:-1]})
                presses = map(records.Press, new)
                outcomes += written.append(bench, presses, ask=asking if ask else None, by=by)
        stored = len(outcomes)
        known = len(readings) - stored - len(conflicting)
        return Acknowledgement(stored, known, tuple(outcomes), tuple(conflicting))

    def start(self, new: NewSeries, at: datetime | None = None, by: Author = NOBODY) -> UUID:
        """Begin a series, now or `at`: from then on its bench feeds it, and no other.

        Raises NotFound where there is no such machine, and Conflict where another series was
        started on the bench during this call, and has no reading yet: of two that start together
        one wins, and the other gets the error.
        """
        running = self._running(new.bench)
        with self.transactions.writing() as written:
            machine = _need_machine(written.connection, new.machine_id)
            bench = written.bench(new.bench)
            if bench.state.series not in (None, running) and not bench.state.last_heard:
                raise Conflict(
                    f"another series was started on bench {new.bench} at the same moment;"
                    " look which one runs, and start again if yours should take its place"
                )
            series = written.begin(bench, replace(new, machine_id=machine), at, by)
            self._asking.begins(written.connection, written.benches[bench.name].series)
            return series

    def again(
        self,
        series_id: UUID,
        new: NewSeries,
        changed: str | None,
        note: str | None,
        by: Author = NOBODY,
    ) -> tuple[UUID, UUID | None]:
        """Record what was done to the machine of a series, and begin the series once more as `new`,
        in one transaction; a second request for the same gives the series that the first one began.
        With it comes what was recorded, None where nothing was `changed`.

        Raises NotFound where there is no such machine, and Conflict where a series of something
        else runs on the bench, or that series itself while nothing was changed.
        """
        with self.transactions.writing() as written:
            machine = _need_machine(written.connection, new.machine_id)
            bench, at = written.bench(new.bench), now()
            running = bench.series
            if running is not None and running.id != series_id:
                return running.id, _recorded(written.connection, bench, new, series_id, changed)
            if running is not None and changed is None:
                raise _runs(written.connection, bench)  # it is gone on with, not begun anew
            change = None
            if changed is not None:
                change = add_change(written, machine, changed, at, note, by)
            series = written.begin(bench, replace(new, machine_id=machine), at, by)
            self._asking.begins(written.connection, written.benches[bench.name].series)
            return series, change

    def finish(self, series_id: UUID, at: datetime | None = None, by: Author = NOBODY) -> None:
        """End a series, now or `at`; one that has ended already stays as it is.

        Raises NotFound where no series has that id.
        """
        with self.transactions.writing() as written:
            bench = written.bench_of(series_id)
            if bench.state.series == series_id:
                written.append(bench, [records.Finish()], at, by=by)

    def load(self, bench: str, past: Sequence[PastSeries], by: Author = NOBODY) -> list[UUID]:
        """Store series that are over, all of one bench, in one transaction; returns their ids.

        A series that runs there is finished first. Readings whose id is known are skipped, and so
        is a series that has no others.
        """
        readings = [reading for each in past for reading in each.readings]
        stored: list[UUID] = []
        with self.transactions.writing() as written:
            locked = written.bench(bench)
            heard = {r.caliper: r.taken_at for r in reversed(readings)}
            for caliper in sorted(heard):
                written.caliper(caliper, heard[caliper])
            unknown = {r.id for r in self._unknown(written, locked.id, readings)[0]}
            if unknown and locked.series is not None:
                written.append(locked, [records.Finish()], by=by)
            named = {each.machine: each.kind for each in reversed(past)}
            machines = {m: self._machine(written, m, named[m], by) for m in sorted(named)}
            for each in past:
                new = each.entries(unknown)
                if new:
                    machine = machines[each.machine]
                    stop = each.stop and past_stop(written, machine, each.stop, by)
                    settings = replace(each.new, bench=bench, machine_id=machine, stop_id=stop)
                    locked = written.bench(bench)
                    stored.append(written.begin(locked, settings, each.began, by))
                    written.append(written.benches[bench], new, by=by)
                    written.append(written.benches[bench], [records.Finish()], each.ended, by=by)
        return stored

    def resume(self, series_id: UUID, by: Author = NOBODY) -> None:
        """Let the bench of a series that ended feed it again; one that runs stays as it is.

        Raises NotFound where no series has that id, and Conflict, naming it, where another one
        runs on the bench.
        """
        with self.transactions.writing() as written:
            bench = written.bench_of(series_id)
            if bench.state.series == series_id:
                return
            if bench.series is not None:
                raise _runs(written.connection, bench)
            state = pairing.fold(read_series(written.connection, series_id))
            if state.series is not None:  # it ended as another one started
                state, _ = pairing.apply(state, records.Finish())
            written.connection.execute(
                update(_SERIES).where(_SERIES.c.id == series_id).values(finished_at=None)
            )
            written.append(replace(bench, state=state), [records.Resume(series_id)], by=by)
            self._asking.begins(written.connection, written.benches[bench.name].series)

    def act(
        self,
        name: str,
        entry: (
            records.TakeBack | records.SwapEnds | records.Restore | records.Away | records.Stayed
        ),
        by: Author = NOBODY,
    ) -> folded.Outcome:
        """Do what the person at the bench asks, and return the outcome.

        Raises Conflict where no series runs on the bench, or there is nothing to do it to.
        """
        with self.transactions.writing() as written:
            bench = written.bench(name)
            # Tried first: an act that does nothing is not logged.
            _, outcome = pairing.apply(bench.state, entry)
            if outcome.kind == "no series":
                raise Conflict(f"no series runs on bench {name}; start one first")
            if outcome.kind in _NOTHING:
                away = isinstance(entry, records.Away)
                raise Conflict(_AWAY_ALREADY if away else _NOTHING[outcome.kind])
            return written.append(bench, [entry], by=by)[0]

    def refuse(self, refusal: records.Refusal) -> bool:
        """Store what an instrument sent that is not a reading; returns whether it was new."""
        with self.transactions.writing() as written:
            bench_id = written.bench(refusal.bench).id
            row = {
                "id": refusal.id,
                "bench_id": bench_id,
                "caliper_id": written.caliper(refusal.caliper, refusal.heard_at),
                "raw": refusal.raw,
                "reason": refusal.reason,
                "heard_at": refusal.heard_at,
            }
            # The bench's row is locked, so no other process can insert this id before the commit.
            if not written.connection.execute(_FIND_REFUSAL, {"id": refusal.id}).first():
                written.connection.execute(insert(_REFUSALS).values(row))
                written.add_event(bench_id, "refusal", refusal.id)
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
        with self.transactions.writing() as written:
            written.add_event(written.bench(state.bench).id, "caliper", None, data)

    def compare_clock(self, name: str, behind_ms: int) -> None:
        """Record how far a bench's clock is behind the store's, when that has changed.

        The difference includes the time that the message took, so small ones mean nothing.
        """
        with self.transactions.writing() as written:
            bench = written.bench(name)
            known = written.connection.execute(
                select(Bench.clock_behind_ms, Bench.clock_checked_at).where(Bench.id == bench.id)
            ).one()
            if (
                known.clock_behind_ms is None
                or abs(known.clock_behind_ms - behind_ms) > _CLOCK_NEWS_MS
                or now() - known.clock_checked_at > _CLOCK_NEWS_AFTER
            ):
                written.connection.execute(
                    update(Bench)
                    .where(Bench.id == bench.id)
                    .values(clock_behind_ms=behind_ms, clock_checked_at=now())
                )

    # ------------------------------------------------------------ machines and series

    def add_machine(self, name: str, kind: str, by: Author = NOBODY) -> UUID:
        """A new machine's id; that of the one with this name where there is one."""
        with self.transactions.writing() as written:
            return self._machine(written, name, kind, by)

    def add_setup_change(
        self,
        machine_id: UUID,
        kind: str,
        at: datetime,
        note: str | None,
        by: Author = NOBODY,
    ) -> UUID:
        """Record what happened to a machine.

        Raises NotFound where no machine has that id.
        """
        with self.transactions.writing() as written:
            machine_id = _need_machine(written.connection, machine_id)
            return add_change(written, machine_id, kind, at, note, by)

    def say_rules(self, rules: int, program: str, changed: dict[str, Any] | None) -> bool:
        """Record that verdicts are said by these rules from now on, and which of them that changed;
        whether this was the first to do so: another server may have."""
        row = {"id": new_id(), "rules": rules, "program": program, "said_at": now()}
        with self.transactions.writing() as written:
            statement = statements.insert_new(written.connection, _RULES_SAID)
            said = written.connection.execute(
                statement, {**row, "changed": changed, "seen_at": None}
            )
            return bool(said.rowcount)

    def rules_seen(self, rules: int) -> None:
        """A person was told what these rules changed."""
        told = (_RULES_SAID.c.rules == rules) & _RULES_SAID.c.seen_at.is_(None)
        with self.transactions.writing() as written:
            written.connection.execute(update(_RULES_SAID).where(told).values(seen_at=now()))

    def check(self) -> None:
        """As `Transactions.check`."""
        self.transactions.check()

    def reached(self, name: str) -> int | None:
        """The number of the bench's last entry, as far as this server knows or the store can be
        read; None where neither does."""
        known = self.transactions.benches.get(name)
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
        with self.transactions.writing() as written:
            bench = written.bench(name)
            behind = reached is None or bench.seq < reached
            if bench.series is not None and behind:
                written.append(bench, [records.Finish()])
                return True
        return False

    def next_place(self, name: str) -> folded.Next | None:
        """Where the bench's next reading will go, None while no series runs on it."""
        with self.transactions.writing() as written:
            return folded.next_place(written.bench(name).state)

    def _running(self, name: str) -> UUID | None:
        """The series that the bench feeds as this call arrives."""
        with self._engine.connect() as connection:
            return connection.execute(select(Bench.series_id).where(Bench.name == name)).scalar()

    def _machine(self, written: Writing, name: str, kind: str, by: Author) -> UUID:
        known = called(written.connection, name)
        if known is None:
            row = {"id": new_id(), "name": name, "kind": kind, "created_at": now()}
            row |= written.authored(by)._asdict()
            written.connection.execute(statements.insert_new(written.connection, _MACHINES), [row])
            made: UUID = written.connection.execute(
                select(Machine.id).where(Machine.name == name)
            ).scalar_one()
            add_square(written.connection, made, now())
            return made
        found: UUID = machine_row(written.connection, known).id
        return found

    def _unknown(
        self, written: Writing, bench_id: int, readings: list[records.Reading]
    ) -> tuple[list[records.Reading], list[records.Reading]]:
        """Those of `readings` that the store does not have, each once; and those whose id it has,
        or that appeared earlier in `readings`, with another value."""
        ids = list(dict.fromkeys(r.id for r in readings))
        if len(ids) == 1:
            found = statements.find(written.connection, _KNOWN_ONE, id=ids[0])
        elif written.connection.dialect.name == "sqlite":
            found = statements.find(
                written.connection, _KNOWN_SQLITE, ids=json.dumps([i.hex for i in ids])
            )
        else:
            found = statements.find(written.connection, _KNOWN_POSTGRESQL, ids=ids)
        known = {UUID(str(key)): tuple(said) for key, *said in found}
        new: list[records.Reading] = []
        conflicting: list[records.Reading] = []
        for reading in readings:
            caliper = written.caliper(reading.caliper, reading.taken_at)
            said = (bench_id, caliper, reading.sent, reading.unit, reading.nm)
            if reading.id not in known:
                known[reading.id] = said
                new.append(reading)
            elif known[reading.id] != said:
                conflicting.append(reading)
        return new, conflicting


_CLOCK_NEWS_MS: Final = 1000
_CLOCK_NEWS_AFTER: Final = timedelta(hours=1)
_FIND_REFUSAL: Final = select(_REFUSALS.c.id).where(_REFUSALS.c.id == bindparam("id"))
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


def _by_bench(readings: Sequence[records.Reading]) -> dict[str, list[records.Reading]]:
    benches: dict[str, list[records.Reading]] = {}
    for reading in readings:
        benches.setdefault(reading.bench, []).append(reading)
    return benches


def _need_machine(connection: Connection, machine_id: UUID) -> UUID:
    """The id of the machine that everything of this one belongs to."""
    try:
        found: UUID = machine_row(connection, machine_id).id
    except NotFound:
        raise NotFound("no machine has that id; make the machine first") from None
    return found


def _runs(connection: Connection, bench: BenchState) -> Conflict:
    """What is told who would let a bench feed another series than the one that runs there."""
    assert bench.series is not None
    machine = select(Machine.name).where(Machine.id == bench.series.machine_id)
    return Conflict(
        f"a series of {connection.execute(machine).scalar()} by"
        f" {method_of(bench.series).title} runs on bench {bench.name}; finish it first"
    )


def _recorded(
    connection: Connection,
    bench: BenchState,
    new: NewSeries,
    series_id: UUID,
    changed: str | None,
) -> UUID | None:
    """What was recorded to have been done, where the series that runs on the bench, and has no
    reading yet, is `new` begun after the series named. Raises Conflict where it is another."""
    running = bench.series
    assert running is not None
    same = (running.machine_id, running.stop_id, running.method) == (
        new.machine_id, new.stop_id, new.method.key,
    )  # fmt: skip
    before = connection.scalar(select(Series.started_at).where(Series.id == series_id))
    if same and not bench.state.last_heard and before is not None and before < running.started_at:
        if changed is None:
            return None
        machine, until = new.machine_id, running.started_at
        change = changed_between(connection, machine, changed, before, until)
        if change is not None:
            return change
    raise _runs(connection, bench)
