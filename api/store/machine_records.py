"""What is said of machines, stops, calipers, setup changes and works, corrected."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from time import monotonic, sleep
from typing import Any, Final, cast
from uuid import UUID

from sqlalchemy import Column, Connection, Row, Table, func, select, update

from api.errors import Conflict, NotFound
from api.store import said_of
from api.store.authors import NOBODY, Author, name_of
from api.store.rows import changes as trail_rows
from api.store.rows.calipers import heard_as, heard_at_bench
from api.store.rows.machines import alike, called, machine, measured_at_bench
from api.store.rows.stops import stop, stops
from api.store.rows.works import work
from api.store.stamps import new_id, now
from api.store.stop_records import add_stop, check_stop, stop_there
from api.store.tables import (
    Bench,
    Change,
    Machine,
    Series,
    SetupChange,
)
from api.store.trail import By, Correcting, Said, Subject, SubjectKind, check_unchanged
from api.store.transactions import Transactions, Writing
from api.store.work_records import add_work, free_name

_MACHINES: Final = cast(Table, Machine.__table__)
_SERIES: Final = cast(Table, Series.__table__)
_SETUP_CHANGES: Final = cast(Table, SetupChange.__table__)

TOGETHER: Final = 8
"""Series, and setup changes, that a merge moves in one transaction: presses wait for no more. As
long as one took, the next one waits, since a lock that is free for a moment is often taken again by
who had it."""


class MachineRecords:
    """Corrects what was said of machines, stops, calipers, setup changes and works. Safe to call
    from any thread. Values have the names and forms of the trail: see `said_of.said`."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def machine(self, machine_id: UUID, values: Mapping[str, Any], by: By) -> None:
        """Correct name, kind, note or retired.

        Raises NotFound where there is no such machine, Conflict where another one has the name.
        """
        with self._transactions.writing() as written:
            row = _locked(written, "machine", str(machine(written.connection, machine_id).id))
            _correct(Correcting(written, by), "machine", row, values, {})

    def add_stop(
        self,
        machine_id: UUID,
        name: str,
        angles: Mapping[str, str],
        note: str | None,
        check_days: int | None,
        by: Author = NOBODY,
    ) -> UUID:
        """A new stop's id. angles: `nominal_deg` and `bevel_deg`.

        Raises NotFound where there is no such machine, Conflict where it has a stop with this name.
        """
        with self._transactions.writing() as written:
            row = machine(written.connection, machine_id)
            nominal, bevel = angles["nominal_deg"], angles["bevel_deg"]
            return add_stop(written, row.id, name, nominal, bevel, note, check_days, by=by)

    def stop(self, stop_id: UUID, values: Mapping[str, Any], by: By) -> None:
        """Correct name, note, retired, nominal_deg, bevel_deg or check_days.

        Raises NotFound where there is no such stop; Conflict where another one of the machine has
        the name, it is the machine's `square`, or a series is measured from the angles.
        """
        with self._transactions.writing() as written:
            row = _locked(written, "stop", str(stop(written.connection, stop_id).id))
            _correct(Correcting(written, by), "stop", row, values, {})

    def setup_change(self, change_id: UUID, values: Mapping[str, Any], by: By) -> None:
        """Correct at, kind, note or withdrawn. Raises NotFound where there is no such change."""
        with self._transactions.writing() as written:
            row = _locked(written, "setup change", str(change_id))
            _correct(Correcting(written, by), "setup change", row, values, {})

    def caliper(self, name: str, values: Mapping[str, Any], by: By) -> None:
        """Correct name (as it is shown), note, jaw_width, readings_unit or retired. One that gets
        the name of another is the same one from then on.

        name: as the caliper is shown, or heard; one that was never heard is made.
        """
        with self._transactions.writing() as written:
            written.caliper(name, now())
            heard = sorted(heard_as(written.connection, name))
            rows = [_locked(written, "caliper", each) for each in heard]
            correcting = Correcting(written, by)
            for row in rows:
                _correct(correcting, "caliper", row, values, {})

    def add_work(self, values: Mapping[str, Any], by: Author = NOBODY) -> UUID:
        """A new work's id. Raises Conflict where there is one with this name."""
        with self._transactions.writing() as written:
            return add_work(written, values, by)

    def work(self, work_id: UUID, values: Mapping[str, Any], by: By) -> None:
        """Correct name, need, parts, note or retired. Raises NotFound, or Conflict for a name."""
        with self._transactions.writing() as written:
            row = _locked(written, "work", str(work(written.connection, work_id).id))
            _correct(Correcting(written, by), "work", row, values, {})

    def merge(self, machine_id: UUID, into: UUID, by: By) -> None:
        """All that was measured on one machine, and its setup changes, belong to another from now
        on. In transactions of at most `TOGETHER` series, of which a dry run makes the first, with
        the latest series; one that was interrupted is completed.

        Raises NotFound where there is no such machine, Conflict where they are one already.
        """
        with self._transactions.writing() as written:
            row = _locked(written, "machine", str(machine_id))
            target = machine(written.connection, into)
            correcting = Correcting(written, by)
            if row.merged_into is None:
                if target.id == row.id:
                    raise Conflict("a machine cannot be merged into itself; name another one")
                _correct(correcting, "machine", row, {trail_rows.MERGED: str(target.id)}, {})
                _bring_stops(correcting, row.id, target.id)
            elif machine(written.connection, row.id).id != target.id:
                raise Conflict("it is merged into another machine already; undo that first")
        self._complete(machine_id)

    def complete_merges(self) -> None:
        """Complete the merges that were interrupted."""
        with self._transactions.engine.connect() as connection:
            left = connection.scalars(
                select(Machine.id)
                .where(
                    Machine.merged_into.is_not(None),
                    Machine.id.in_(select(Series.machine_id))
                    | Machine.id.in_(select(SetupChange.machine_id)),
                )
                .order_by(Machine.id)
            ).all()
        for machine_id in left:
            self._complete(machine_id)

    def undo(self, change_id: UUID, by: By) -> None:
        """Undo a change, and the others of the same request; one that is undone stays so. Undoing
        a merge moves back the series that it moved and that are still there.

        Raises NotFound where there is no such change; Conflict where what it said was said
        otherwise since.
        """
        with self._transactions.writing() as written:
            said_then = trail_rows.not_undone(written.connection, change_id)
            own = [c for c in said_then if c.field != "machine" and c.subject_kind != "series"]
            subjects = {(c.subject_kind, c.subject) for c in own}
            rows = {subject: _locked(written, *subject) for subject in sorted(subjects)}
            correcting = Correcting(written, by)
            act = correcting.act
            grouped: dict[tuple[str, str], list[Row[Any]]] = {}
            moved = []
            stops_changed: dict[UUID, Row[Any]] = {}
            for change in trail_rows.not_undone(written.connection, change_id):
                if change.field == "machine":
                    moved.append(change)
                    continue
                if change.subject_kind == "series":
                    stops_changed[change.series_id] = change
                    continue
                row = rows[change.subject_kind, change.subject]
                present = said_of.said(change.subject_kind, row)[change.field]
                check_unchanged(change.field, present, change.after)
                grouped.setdefault((change.subject_kind, change.subject), []).append(change)
            undoes = {(c.subject, c.field): c.id for some in grouped.values() for c in some}
            for (kind, subject), changes in grouped.items():
                row = _locked(written, kind, subject)  # as the one before it may have left it
                before = {change.field: change.before for change in changes}
                _correct(correcting, cast(SubjectKind, kind), row, before, undoes)
        for start in range(0, len(moved), TOGETHER):
            if start and self._transactions.dry:
                return
            began = monotonic()
            with self._transactions.writing() as written:
                correcting = Correcting(written, by._replace(seen=None), act)
                _move_back(correcting, moved[start : start + TOGETHER], stops_changed)
            if not self._transactions.dry:
                sleep(monotonic() - began)

    def _complete(self, machine_id: UUID) -> None:
        began = monotonic()
        while self._move_some(machine_id) and not self._transactions.dry:
            sleep(monotonic() - began)
            began = monotonic()

    def _move_some(self, machine_id: UUID) -> bool:
        """Move some of what a merged machine still has; whether there was any."""
        with self._transactions.writing() as written:
            connection = written.connection
            row = _locked(written, "machine", str(machine_id))
            if row.merged_into is None:  # undone meanwhile
                return False
            merging = connection.execute(
                select(
                    Change.act,
                    Change.reason,
                    name_of(Change.person_id, "who"),
                    name_of(Change.pass_id, "through"),
                )
                .where(Change.subject == str(machine_id), Change.field == trail_rows.MERGED)
                .order_by(Change.id.desc())
                .limit(1)
            ).one()
            target = machine(connection, row.merged_into)
            by = By(merging.who, merging.reason, through=merging.through)
            correcting = Correcting(written, by, merging.act)
            left = False
            for table, move in ((_SERIES, _move_series), (_SETUP_CHANGES, _move_setup_changes)):
                some = connection.scalars(
                    select(table.c.id)
                    .where(table.c.machine_id == machine_id)
                    .order_by(table.c.id.desc())
                    .limit(TOGETHER)
                ).all()
                if some:
                    move(correcting, dict.fromkeys(some), machine_id, target.id)
                    left = True
            return left


# ---------------------------------------------------------------- one row


def _correct(
    correcting: Correcting,
    kind: SubjectKind,
    row: Row[Any],
    values: Mapping[str, Any],
    undoes: Mapping[tuple[str, str], UUID],
) -> None:
    """Correct a row; a value that it says already makes no change. undoes: the changes that are
    undone by it, by subject and field."""
    written = correcting.written
    before = said_of.said(kind, row)
    changed = {name: value for name, value in values.items() if value != before[name]}
    if not changed:
        return
    if kind == "machine" and "name" in changed:
        _free_name(correcting, row, changed["name"], undoes)
    if kind == "stop":
        check_stop(written, row, changed)
    if kind == "work" and "name" in changed:
        free_name(written, row.id, changed["name"])
    bench = _bench(written, kind, row)
    subject = Subject(kind, row.name if kind == "caliper" else str(row.id), bench)
    for name, value in changed.items():
        correcting.say(subject, name, before[name], value, undoes.get((subject.id, name)))
    write_values(written, kind, row, changed)


def write_values(written: Writing, kind: str, row: Row[Any], values: Mapping[str, Any]) -> None:
    """Write values to a row, and the events of them; nothing is said in the trail."""
    written.connection.execute(said_of.written(kind, row, values))
    bench = _bench(written, kind, row)
    if bench is None:
        return
    if kind == "machine" and {"name", "kind"}.intersection(values):
        written.add_event(bench, "machine", row.id)
    elif kind == "stop" and {"name", "nominal_deg"}.intersection(values):
        written.add_event(bench, "machine", row.machine_id)
    elif kind == "caliper" and "name" in values:
        written.add_event(bench, "caliper name", None, {"caliper": row.name})
    elif kind == "setup change":
        written.add_event(bench, "setup change", row.id, {"machine": str(row.machine_id)})


def _free_name(
    correcting: Correcting,
    row: Row[Any],
    name: str,
    undoes: Mapping[tuple[str, str], UUID],
) -> None:
    """Two names of one machine, since the one was merged into the other, change places.

    Raises Conflict where another machine has the name.
    """
    written = correcting.written
    other = called(written.connection, name)
    if other is None or other == row.id:
        return
    if machine(written.connection, other).id != machine(written.connection, row.id).id:
        raise Conflict(
            f"another machine is called {name}; if it is the same machine, merge {row.name} into"
            " it: then all series of both are one history"
        )
    subject = Subject("machine", str(other), None)
    before = _locked(written, "machine", str(other)).name
    for each, new in ((row.id, str(new_id())), (other, row.name)):  # no name is there twice
        written.connection.execute(update(_MACHINES).where(_MACHINES.c.id == each).values(name=new))
    correcting.say(subject, "name", before, row.name, undoes.get((subject.id, "name")))


def _bench(written: Writing, kind: str, row: Row[Any]) -> int | None:
    """Whose readers are told: the bench that measured the machine last, or heard the caliper; any,
    where none did, so that a pull has it. None where there is no bench yet."""
    if kind == "work":
        return _any_bench(written.connection)
    if kind == "caliper":
        bench = heard_at_bench(written.connection, row.id)
    else:
        machine_id = row.id if kind == "machine" else row.machine_id
        bench = measured_at_bench(written.connection, machine_id)
    return _any_bench(written.connection) if bench is None else bench


def _any_bench(connection: Connection) -> int | None:
    return connection.scalar(select(func.min(Bench.id)))


def _locked(written: Writing, kind: str, subject: str) -> Row[Any]:
    """The row of a machine, stop, caliper, setup change or work, which nobody else corrects
    meanwhile.

    Raises NotFound where there is none.
    """
    row = written.connection.execute(
        said_of.found(kind, subject).with_for_update(key_share=True)
    ).first()
    if row is None:
        raise NotFound(f"there is no {kind} {subject}")
    return row


# ---------------------------------------------------------------- from machine to machine

_Moved = Mapping[UUID, UUID | None]
"""What is moved, by id, and the change that is undone by it."""
_NOTHING_SAID: Final[Mapping[UUID, Row[Any]]] = {}


def _move_series(
    correcting: Correcting,
    series: _Moved,
    before: UUID,
    after: UUID,
    stops_changed: Mapping[UUID, Row[Any]] = _NOTHING_SAID,
) -> None:
    """Let those of these series that are of one machine be of another. stops_changed: as in
    `_move_stops`."""
    written = correcting.written
    running = select(Bench.name).where(Bench.series_id.in_(series)).order_by(Bench.name)
    for name in written.connection.scalars(running).all():
        written.bench(name)  # locked before its series, by name, as every writer does
    columns = _SERIES.c.bench_id, _SERIES.c.stop_id
    rows = _take(written, _SERIES, series, before, after, *columns)
    # Readers learn of it by the event of the series.
    subjects = [Subject("series", str(row.id), None, row.id) for row in rows]
    _say_moved(correcting, subjects, series, before, after)
    _move_stops(correcting, rows, after, stops_changed)
    for row in rows:
        written.add_event(row.bench_id, "series", row.id)
    for name in written.connection.scalars(running).all():
        bench = written.bench(name)
        written.forget(bench)
        written.add_event(bench.id, "bench", bench.state.series)


def _bring_stops(correcting: Correcting, machine_id: UUID, to: UUID) -> None:
    """Make the stops of a machine that is merged at the other one, where it has no such setting in
    use. Undoing the merge retires those."""
    written = correcting.written
    known = {row.id for row in stops(written.connection, to, retired=True)}
    for each in stops(written.connection, machine_id):
        there = stop_there(written, each.id, to, correcting.by)
        if there.id not in known:
            subject = Subject("stop", str(there.id), _bench(written, "stop", there))
            correcting.say(subject, "retired", True, False)
        there = _locked(written, "stop", str(there.id))
        _correct(correcting, "stop", there, {"retired": False}, {})


def _move_stops(
    correcting: Correcting, rows: Sequence[Row[Any]], to: UUID, said_then: Mapping[UUID, Row[Any]]
) -> None:
    """Let series that came to the machine `to` be at the same setting there; where a change of
    their stop is undone by it (`said_then`, by series), at the one where they were. One with the
    same name is the same stop, and no change."""
    written = correcting.written
    moves: dict[tuple[UUID, UUID | None], list[UUID]] = defaultdict(list)
    for row in rows:
        change = said_then.get(row.id)
        back = change is not None and str(row.stop_id) == change.after
        moves[row.stop_id, UUID(change.before) if change and back else None].append(row.id)
    for (before, back_to), series in moves.items():
        was = stop(written.connection, before)
        if back_to is None:
            at = stop_there(written, before, to, correcting.by)
        else:
            at = stop(written.connection, back_to)
        moved = update(_SERIES).where(_SERIES.c.id.in_(series)).values(stop_id=at.id)
        written.connection.execute(moved)
        if alike(was.name) == alike(at.name):
            continue
        correcting.say_all(
            [
                Said(
                    Subject("series", str(each), None, each),
                    "stop",
                    str(before),
                    str(at.id),
                    None if back_to is None else said_then[each].id,
                )
                for each in series
            ]
        )


def _move_setup_changes(correcting: Correcting, changes: _Moved, before: UUID, after: UUID) -> None:
    """The same of setup changes."""
    written = correcting.written
    rows = _take(written, _SETUP_CHANGES, changes, before, after)
    bench = measured_at_bench(written.connection, after)
    subjects = [Subject("setup change", str(row.id), bench) for row in rows]
    _say_moved(correcting, subjects, changes, before, after)
    if bench is not None:
        for row in rows:
            written.add_event(bench, "setup change", row.id, {"machine": str(after)})


def _take(
    written: Writing, table: Table, ids: _Moved, before: UUID, after: UUID, *more: Column[Any]
) -> Sequence[Row[Any]]:
    """Let those of these rows that are of one machine be of another; their ids, and `more`."""
    rows = written.connection.execute(
        select(table.c.id, *more)
        .where(table.c.id.in_(ids), table.c.machine_id == before)
        .order_by(table.c.id)
        .with_for_update(key_share=True)
    ).all()
    moved = update(table).where(table.c.id.in_([row.id for row in rows]))
    written.connection.execute(moved.values(machine_id=after))
    return rows


def _say_moved(
    correcting: Correcting, subjects: Sequence[Subject], ids: _Moved, before: UUID, after: UUID
) -> None:
    correcting.say_all(
        [Said(each, "machine", str(before), str(after), ids[UUID(each.id)]) for each in subjects]
    )


def _move_back(
    correcting: Correcting, changes: Sequence[Row[Any]], stops_changed: Mapping[UUID, Row[Any]]
) -> None:
    """Move back what one merge moved, where it is still there; series to the stops where they
    were."""
    moves: dict[tuple[str, str, str], dict[UUID, UUID | None]] = defaultdict(dict)
    for change in changes:
        moves[change.subject_kind, change.after, change.before][UUID(change.subject)] = change.id
    for (kind, before, after), ids in moves.items():
        if kind == "series":
            _move_series(correcting, ids, UUID(before), UUID(after), stops_changed)
        else:
            _move_setup_changes(correcting, ids, UUID(before), UUID(after))
