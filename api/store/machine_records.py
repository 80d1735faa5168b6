"""What is said of machines, calipers, setup changes and people, and its corrections."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any, Final, cast
from uuid import UUID

from sqlalchemy import Row, Table, select, update

from analysis.units import mm_text, parse_length
from api.errors import Conflict, NotFound
from api.store.rows import changes as trail_rows
from api.store.rows.calipers import heard_as, heard_at_bench
from api.store.rows.machines import called, machine, measured_at_bench, setup_change
from api.store.stamps import now
from api.store.tables import Bench, Caliper, Change, Machine, Person, Series, SetupChange
from api.store.trail import By, Correcting, Subject, SubjectKind, check_unchanged
from api.store.transactions import Transactions, Writing

_CALIPERS: Final = cast(Table, Caliper.__table__)
_MACHINES: Final = cast(Table, Machine.__table__)
_PEOPLE: Final = cast(Table, Person.__table__)
_SERIES: Final = cast(Table, Series.__table__)
_SETUP_CHANGES: Final = cast(Table, SetupChange.__table__)

TOGETHER: Final = 100
"""Series that a merge moves in one transaction: presses wait for no more."""

_MERGED: Final = "merged into"


class MachineRecords:
    """Corrects what was said of machines, calipers, setup changes and people. Safe to call from any
    thread. Values have the names and forms of the trail: see `said`."""

    def __init__(self, transactions: Transactions) -> None:
        self._transactions = transactions

    def machine(self, machine_id: UUID, values: Mapping[str, Any], by: By) -> None:
        """Correct name, kind, note or retired.

        Raises NotFound where there is no such machine, Conflict where another one has the name.
        """
        with self._transactions.writing() as written:
            row = machine(written.connection, machine_id)
            _correct(Correcting(written, by), "machine", row, values, {})

    def setup_change(self, change_id: UUID, values: Mapping[str, Any], by: By) -> None:
        """Correct at, kind, note or withdrawn. Raises NotFound where there is no such change."""
        with self._transactions.writing() as written:
            row = setup_change(written.connection, change_id)
            _correct(Correcting(written, by), "setup change", row, values, {})

    def caliper(self, name: str, values: Mapping[str, Any], by: By) -> None:
        """Correct name (as it is shown), note, jaw_width, readings_unit or retired. One that gets
        the name of another is the same one from then on.

        name: as the caliper is shown, or heard; one that was never heard is made.
        """
        with self._transactions.writing() as written:
            correcting = Correcting(written, by)
            written.caliper(name, now())
            for heard in heard_as(written.connection, name):
                _correct(correcting, "caliper", _caliper(written, heard), values, {})

    def person(self, person_id: UUID, name: str) -> None:
        """Give a person another name, wherever it stands; the trail does not keep the old one.

        Raises NotFound where there is no such person, Conflict where another one has the name.
        """
        with self._transactions.writing() as written:
            connection = written.connection
            before = connection.scalar(select(Person.name).where(Person.id == person_id))
            if before is None:
                raise NotFound("no person has that id; GET /api/people lists them")
            if name == before:
                return
            if connection.scalar(select(Person.id).where(Person.name == name)) is not None:
                raise Conflict(
                    f"another person is called {name}; choose a name that tells them apart"
                )
            connection.execute(update(_PEOPLE).where(_PEOPLE.c.id == person_id).values(name=name))
            named = connection.execute(
                select(Series.id, Series.bench_id).where(Series.person == before)
            ).all()
            connection.execute(
                update(_SERIES).where(_SERIES.c.person == before).values(person=name)
            )
            for row in named:
                written.add_event(row.bench_id, "series", row.id)

    def merge(self, machine_id: UUID, into: UUID, by: By) -> None:
        """All that was measured on one machine, and its setup changes, belong to another from now
        on. In transactions of at most `TOGETHER` series; one that was interrupted is completed.

        Raises NotFound where there is no such machine, Conflict where they are one already.
        """
        with self._transactions.writing() as written:
            target = machine(written.connection, into)
            row = _machine_itself(written, machine_id)
            if row.merged_into is None:
                if target.id == row.id:
                    raise Conflict("a machine cannot be merged into itself; name another one")
                _correct(Correcting(written, by), "machine", row, {_MERGED: str(target.id)}, {})
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
            correcting = Correcting(written, by)
            act = correcting.act
            grouped: dict[tuple[str, str], list[Row[Any]]] = {}
            moved = []
            for change in trail_rows.not_undone(written.connection, change_id):
                if change.field == "machine":
                    moved.append(change)
                else:
                    grouped.setdefault((change.subject_kind, change.subject), []).append(change)
            for (kind, subject), changes in grouped.items():
                row = _row(written, kind, subject)
                for change in changes:
                    check_unchanged(change.field, said(kind, row)[change.field], change.after)
                before = {change.field: change.before for change in changes}
                undoes = {change.field: change.id for change in changes}
                _correct(correcting, cast(SubjectKind, kind), row, before, undoes)
        for start in range(0, len(moved), TOGETHER):
            with self._transactions.writing() as written:
                correcting = Correcting(written, by, act)
                together = moved[start : start + TOGETHER]
                _lock(written, [c.series_id for c in together if c.series_id is not None])
                for change in together:
                    _move_back(correcting, change)

    def _complete(self, machine_id: UUID) -> None:
        while self._move_some(machine_id):
            pass

    def _move_some(self, machine_id: UUID) -> bool:
        """Move some of what a merged machine still has; whether there was any."""
        with self._transactions.writing() as written:
            connection = written.connection
            row = _machine_itself(written, machine_id)
            if row.merged_into is None:  # undone meanwhile
                return False
            merging = connection.execute(
                select(Change.act, Person.name.label("who"), Change.reason)
                .outerjoin(Person, Person.id == Change.person_id)
                .where(Change.subject == str(machine_id), Change.field == _MERGED)
                .order_by(Change.id.desc())
                .limit(1)
            ).one()
            target = machine(connection, row.id)
            by = By(merging.who, merging.reason)
            correcting = Correcting(written, by, merging.act)
            series = connection.execute(
                select(Series.id)
                .where(Series.machine_id == machine_id)
                .order_by(Series.id)
                .limit(TOGETHER)
            ).all()
            _lock(written, [each.id for each in series])
            for each in series:
                _move_series(correcting, each.id, target.id)
            changes = connection.execute(
                select(SetupChange.__table__)
                .where(SetupChange.machine_id == machine_id)
                .limit(TOGETHER)
            ).all()
            for change in changes:
                _correct(correcting, "setup change", change, {"machine": str(target.id)}, {})
            return bool(series or changes)


# ---------------------------------------------------------------- what a row says, by the trail


def said(kind: str, row: Row[Any]) -> dict[str, Any]:
    """What a row of a machine, caliper or setup change says, by the names the trail has. Moments
    are in ISO 8601, jaw_width is in millimetres, a machine is its id."""
    if kind == "machine":
        merged = None if row.merged_into is None else str(row.merged_into)
        return {
            "name": row.name,
            "kind": row.kind,
            "note": row.note,
            "retired": row.retired_at is not None,
            _MERGED: merged,
        }
    if kind == "setup change":
        return {
            "at": row.at.isoformat(),
            "kind": row.kind,
            "note": row.note,
            "withdrawn": row.withdrawn_at is not None,
            "machine": str(row.machine_id),
        }
    width = None if row.jaw_width_nm is None else mm_text(row.jaw_width_nm)
    return {
        "name": row.shown,
        "note": row.note,
        "jaw_width": width,
        "readings_unit": row.readings_unit,
        "retired": row.retired_at is not None,
    }


def _moment_if(value: bool) -> datetime | None:
    return now() if value else None


_COLUMNS: Final[dict[tuple[str, str], tuple[str, Callable[[Any], Any]]]] = {
    ("machine", "retired"): ("retired_at", _moment_if),
    ("machine", _MERGED): ("merged_into", lambda value: value and UUID(value)),
    ("setup change", "at"): ("at", lambda value: datetime.fromisoformat(value).astimezone(UTC)),
    ("setup change", "withdrawn"): ("withdrawn_at", _moment_if),
    ("setup change", "machine"): ("machine_id", UUID),
    ("caliper", "name"): ("shown", str),
    ("caliper", "jaw_width"): ("jaw_width_nm", lambda value: value and parse_length(value, "mm")),
    ("caliper", "retired"): ("retired_at", _moment_if),
}
"""Where a value of the trail stands in its row otherwise than under its name, as it is."""

_TABLES: Final = {"machine": _MACHINES, "setup change": _SETUP_CHANGES, "caliper": _CALIPERS}


def _correct(
    correcting: Correcting,
    kind: SubjectKind,
    row: Row[Any],
    values: Mapping[str, Any],
    undoes: Mapping[str, UUID],
) -> None:
    """Correct a row; a value that it says already makes no change."""
    written = correcting.written
    before = said(kind, row)
    changed = {name: value for name, value in values.items() if value != before[name]}
    if not changed:
        return
    if kind == "machine" and "name" in changed:
        _refuse_taken(written, row, changed["name"])
    table = _TABLES[kind]
    columns = {}
    for name, value in changed.items():
        column, read = _COLUMNS.get((kind, name), (name, lambda as_it_is: as_it_is))
        columns[column] = read(value)
    written.connection.execute(update(table).where(table.c.id == row.id).values(columns))
    bench = _bench(written, kind, row)
    subject = Subject(kind, row.name if kind == "caliper" else str(row.id), bench)
    for name, value in changed.items():
        correcting.say(subject, name, before[name], value, undoes.get(name))
    if bench is None:
        return
    if kind == "machine" and {"name", "kind"}.intersection(changed):
        written.add_event(bench, "machine", row.id)
    elif kind == "caliper" and "name" in changed:
        written.add_event(bench, "caliper name", None, {"caliper": row.name})
    elif kind == "setup change":
        written.add_event(bench, "setup change", row.id, {"machine": str(row.machine_id)})


def _refuse_taken(written: Writing, row: Row[Any], name: str) -> None:
    other = called(written.connection, name)
    if other is not None and other != row.id:
        raise Conflict(
            f"another machine is called {name}; if it is the same machine, merge {row.name} into"
            " it: then all series of both are one history"
        )


def _bench(written: Writing, kind: str, row: Row[Any]) -> int | None:
    """Whose readers are told: the bench that measured the machine last, or heard the caliper."""
    if kind == "caliper":
        return heard_at_bench(written.connection, row.id)
    machine_id = row.id if kind == "machine" else row.machine_id
    return measured_at_bench(written.connection, machine_id)


def _row(written: Writing, kind: str, subject: str) -> Row[Any]:
    if kind == "machine":
        return _machine_itself(written, UUID(subject))
    if kind == "setup change":
        return setup_change(written.connection, UUID(subject))
    return _caliper(written, subject)


def _machine_itself(written: Writing, machine_id: UUID) -> Row[Any]:
    row = written.connection.execute(select(_MACHINES).where(_MACHINES.c.id == machine_id)).first()
    if row is None:
        raise NotFound("no machine has that id; GET /api/machines lists them")
    return row


def _caliper(written: Writing, heard: str) -> Row[Any]:
    return written.connection.execute(select(_CALIPERS).where(_CALIPERS.c.name == heard)).one()


# ---------------------------------------------------------------- series, from machine to machine


def _lock(written: Writing, series: list[UUID]) -> None:
    """Lock the benches that feed one of these series, by name, as every writer does."""
    running = select(Bench.name).where(Bench.series_id.in_(series)).order_by(Bench.name)
    for name in written.connection.scalars(running).all():
        written.bench(name)


def _move_series(
    correcting: Correcting, series_id: UUID, to: UUID, undoes: UUID | None = None
) -> None:
    written = correcting.written
    row = written.series(series_id)
    written.connection.execute(
        update(_SERIES).where(_SERIES.c.id == series_id).values(machine_id=to)
    )
    # Its readers learn of it by the event of the series.
    subject = Subject("series", str(series_id), None, series_id)
    correcting.say(subject, "machine", str(row.machine_id), str(to), undoes)
    written.add_event(row.bench_id, "series", series_id)
    running = written.connection.scalar(select(Bench.name).where(Bench.series_id == series_id))
    if running is not None:
        bench = written.bench(running)
        written.benches[running] = replace(bench, series=written.series(series_id))
        written.add_event(row.bench_id, "bench", series_id)


def _move_back(correcting: Correcting, change: Row[Any]) -> None:
    """Move back what a merge moved, where it is still there."""
    written = correcting.written
    if change.subject_kind == "series":
        if str(written.series(change.series_id).machine_id) == change.after:
            _move_series(correcting, change.series_id, UUID(change.before), change.id)
        return
    row = setup_change(written.connection, UUID(change.subject))
    if str(row.machine_id) == change.after:
        undoes = {"machine": change.id}
        _correct(correcting, "setup change", row, {"machine": change.before}, undoes)
