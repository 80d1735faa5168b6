"""Copies all that can be read of a damaged SQLite store into a new one.

The damaged file is read page by page (`pages`), and never written. What benches said is copied as
it stands: every reading keeps its id, its number in its bench's order and its content. What
follows from that is written anew by replaying it. Where numbers of a bench's order are lost, its
series ends there: a lost reading would move every later one to another place of its trial.
"""

from __future__ import annotations

import json
import re
import sqlite3
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection, func, select, update

from api.store import backup, doctor, migrations, schema_step
from api.store.act_rows import readings_moved
from api.store.engine import StoreError, begin_writing, open_engine, sqlite_file_url
from api.store.facts import method_of
from api.store.log import read_log_by_series
from api.store.pages import Pages, Row, Unreadable, Value
from api.store.publishing import EventRow, publish
from api.store.squares import astray, fill_in
from api.store.stamps import new_id
from api.store.tables import Act, Bench, Caliper, Event, Reading, Series
from capture import pairing, records

SalvageProgress = Callable[[str, int, int], None]
"""Called with a table's name, how many of its pages are read, and of how many."""

# In this order, since each is checked against those before it. Trials are not copied but replayed.
_COPIED: Final = (
    *("people", "benches", "calipers", "machines", "stops", "works", "series", "readings"),
    *("changes", "acts", "refusals", "setup_changes", "events", "rules_said"),
)
_SCHEMA: Final = ("table", "index", "view", "trigger")
_ID: Final = re.compile(r"[0-9a-f]{32}")
_MOMENT: Final = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d\.\d{6}")
_STEP: Final = re.compile(r"\d{4}")
# What an event is about, by its kind: it is of no use without that.
_SUBJECTS: Final = {
    "reading": "readings",
    "fate": "readings",
    "refusal": "refusals",
    "correction": "changes",
    "series": "series",
    "trial": "",
    "score": "",
}
# What a row names and means the same without, where that is lost.
_AUTHOR: Final = {"person_id": "people", "pass_id": "people"}
_LINKS: Final = {
    "acts": {"change_id": "changes", **_AUTHOR},
    "readings": {"pass_id": "people"},
    **dict.fromkeys(("machines", "stops", "works", "setup_changes"), _AUTHOR),
    "series": {"stop_id": "stops", "work_id": "works"},
    "changes": {
        **_AUTHOR,
        "series_id": "series",
        "reading_id": "readings",
        "undoes": "changes",
    },
}


@dataclass
class Salvaged:
    """What was copied, by table; how many rows of it are known to be lost; and what follows from
    that, in sentences."""

    copied: dict[str, int] = field(default_factory=dict)
    lost: dict[str, int] = field(default_factory=dict)
    follows: list[str] = field(default_factory=list)
    unreadable_pages: int = 0


@dataclass(frozen=True, slots=True)
class _Column:
    name: str
    kind: str
    needed: bool
    is_rowid: bool

    def fits(self, value: Value) -> bool:
        """Whether the program could have written `value` here."""
        if value is None:
            return self.is_rowid or not self.needed
        match self.kind.partition("(")[0]:
            case "INTEGER" | "BIGINT":
                return isinstance(value, int)
            case "BOOLEAN":
                return value in (0, 1)
            case "FLOAT":
                return isinstance(value, int | float)
            case "CHAR":
                return isinstance(value, str) and _ID.fullmatch(value) is not None
            case "DATETIME":
                return isinstance(value, str) and _MOMENT.fullmatch(value) is not None
            case "JSON":
                return isinstance(value, str) and _is_json(value)
        return isinstance(value, str)


def _is_json(text: str) -> bool:
    try:
        json.loads(text)
    except ValueError:
        return False
    return True


_Tables = dict[str, list[_Column]]


def salvage(
    path: Path, to: Path, progress: SalvageProgress = lambda _table, _done, _whole: None
) -> Salvaged:
    """Copy what can be read of the store at `path` into the new file `to`, at the present step.

    Nothing may write to `path` meanwhile. Raises StoreError where `to` is there already or cannot
    be written, or `path` cannot be read or holds nothing of a store.
    """
    if to.exists():
        raise StoreError(f"{to} is there already; give a new name")
    part = backup.part_file(to)
    try:
        with closing(Pages(path)) as pages:
            done = _salvage(pages, part, progress)
        part.replace(to)
    except (OSError, sqlite3.Error) as error:
        raise StoreError(f"{path} cannot be copied to {to} ({error})") from None
    finally:
        with suppress(OSError):
            backup.take_away(part)
    return done


def _salvage(pages: Pages, part: Path, progress: SalvageProgress) -> Salvaged:
    done = Salvaged()
    roots = _roots(pages)
    step = _step(pages, roots)
    _make(part, step)
    with closing(sqlite3.connect(part, isolation_level=None)) as new:
        new.execute("BEGIN")
        tables = {name: _columns(new, name) for name in _COPIED}
        found = _pages_of(pages, roots, tables, done)
        for name in _COPIED:
            _copy(pages, found[name], new, name, tables[name], done, progress)
        if not done.copied["readings"] and not done.copied["machines"]:
            raise StoreError("nothing of a store can be read there; restore a backup")
        _name_what_is_lost(new, done)
        _end_series_at_gaps(new, done)
        new.execute("COMMIT")
        new.execute("PRAGMA journal_mode=DELETE")
    engine = open_engine(sqlite_file_url(part))
    try:
        migrations.upgrade(engine)
        with engine.begin() as connection:
            # Of a caliper whose row was lost.
            connection.execute(
                update(Caliper).where(Caliper.shown == "").values(shown=Caliper.name)
            )
            _put_at_square(connection, done)
        doctor.repair(engine)
        with engine.connect() as connection:
            begin_writing(connection)
            with connection.begin():
                _announce(connection)
                _mark_ended(connection, done)
        with engine.connect() as connection:
            connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    finally:
        engine.dispose()
    with closing(sqlite3.connect(part)) as new:
        new.execute("PRAGMA journal_mode=DELETE")
    for before in part.parent.glob(f"{part.stem}-before-*"):
        before.unlink()
    return done


# ---------------------------------------------------------------- which page holds what


def _roots(pages: Pages) -> dict[str, int]:
    """The first page of each table's tree, as far as the list of tables can be read."""
    leaves, _ = pages.leaves(1)
    listed = {number for number in range(1, pages.count + 1) if pages.is_leaf(number)}
    roots = {}
    for number in [*sorted(listed - set(leaves)), *leaves]:  # what is reached counts more
        for _, values in _readable(pages, number):
            match values:
                case ["table", str(name), _, int(root), str()]:
                    roots[name] = root
                case [kind, *_] if kind not in _SCHEMA:
                    break
    return roots


def _step(pages: Pages, roots: dict[str, int]) -> str:
    """The store's step; the present one where that cannot be read."""
    leaves, _ = pages.leaves(roots.get("alembic_version", 0))
    for number in leaves:
        for _, values in _readable(pages, number):
            match values:
                case [str(step)] if _STEP.fullmatch(step):
                    schema_step.refuse_unknown(step)
                    return step
    return schema_step.HEAD


def _readable(pages: Pages, number: int) -> Iterator[Row]:
    with suppress(Unreadable):
        yield from (row for row in pages.rows(number) if row is not None)


def _pages_of(
    pages: Pages, roots: dict[str, int], tables: _Tables, done: Salvaged
) -> dict[str, list[int]]:
    """The leaf pages of each table: those that its tree leads to, then those that look like its
    own and that no tree leads to, since a page above them is damaged."""
    found: dict[str, list[int]] = {}
    reached = pages.free()
    lost: set[int] = set()
    for name, root in roots.items():
        found[name], unreadable = pages.leaves(root)
        reached |= set(found[name])
        lost |= unreadable
    reached |= set(pages.leaves(1)[0])
    for number in range(1, pages.count + 1):
        if number not in reached and pages.is_leaf(number):
            rows = list(_readable(pages, number))
            for name, columns in tables.items():
                if rows and all(_fits(columns, values) for _, values in rows):
                    found.setdefault(name, []).append(number)
    done.unreadable_pages = len(lost)
    return {name: found.get(name, []) for name in tables}


def _fits(columns: list[_Column], values: list[Value]) -> bool:
    """Whether `values` are a row of a table; columns that were added later may be missing."""
    missing = columns[len(values) :]
    return len(values) <= len(columns) and all(
        column.fits(value)
        for column, value in zip(columns, [*values, *(None for _ in missing)], strict=True)
    )


# ---------------------------------------------------------------- the new store


def _make(part: Path, step: str) -> None:
    engine = open_engine(sqlite_file_url(part))
    try:
        migrations.upgrade(engine, to=step)
    finally:
        engine.dispose()


def _columns(new: sqlite3.Connection, table: str) -> list[_Column]:
    return [
        _Column(name, kind, bool(needed), bool(key) and kind == "INTEGER")
        for _, name, kind, needed, _, key in new.execute(f"PRAGMA table_info({table})")
    ]


def _copy(
    pages: Pages,
    numbers: list[int],
    new: sqlite3.Connection,
    table: str,
    columns: list[_Column],
    done: Salvaged,
    progress: SalvageProgress,
) -> None:
    names = ", ".join(column.name for column in columns)
    marks = ", ".join("?" for _ in columns)
    insert = f"INSERT OR IGNORE INTO {table} ({names}) VALUES ({marks})"
    before = new.total_changes
    largest = seen = 0
    for count, number in enumerate(numbers):
        progress(table, count, len(numbers))
        for rowid, values in _readable(pages, number):
            if not _fits(columns, values):
                continue
            largest, seen = max(largest, rowid), seen + 1
            values += [None] * (len(columns) - len(values))
            row = {c.name: rowid if c.is_rowid else v for c, v in zip(columns, values, strict=True)}
            for link, other in _LINKS.get(table, {}).items():
                if row.get(link) is not None and not _is_there(new, other, row[link]):
                    row[link] = None
            if _stands_alone(new, table, row):
                new.execute(insert, list(row.values()))
    done.copied[table] = new.total_changes - before
    # Events of trials are not copied, but written anew.
    done.lost[table] = max(0, largest - (seen if table == "events" else done.copied[table]))


def _stands_alone(new: sqlite3.Connection, table: str, row: dict[str, Any]) -> bool:
    """Whether what an act or event is about is there; a reading is kept in any case."""
    about: list[tuple[str, Any]] = []
    if table == "acts":
        about = [("series", row["series_id"]), ("readings", row["reading_id"])]
        if row["kind"] == "move in":
            about += [
                ("readings", reading.hex) for reading in readings_moved(json.loads(row["data"]))
            ]
    elif table == "events" and row["kind"] in _SUBJECTS:
        about = [(_SUBJECTS[row["kind"]], row["subject"])]
    return all(key is None or (other != "" and _is_there(new, other, key)) for other, key in about)


def _is_there(new: sqlite3.Connection, table: str, key: Any) -> bool:
    return new.execute(f"SELECT 1 FROM {table} WHERE id = ?", [key]).fetchone() is not None


# ---------------------------------------------------------------- what is lost


_NAMED: Final = {
    "benches": ("bench_id", ("series", "readings", "acts", "refusals", "events")),
    "calipers": ("caliper_id", ("readings", "refusals")),
    "machines": ("machine_id", ("stops", "series", "setup_changes")),
}
_NEW_ROW: Final = {
    "benches": "INSERT INTO benches (id, name, last_seq) VALUES (:id, :name, 0)",
    "calipers": "INSERT INTO calipers (id, name, first_heard_at) VALUES (:id, :name,"
    " coalesce((SELECT min(taken_at) FROM readings WHERE caliper_id = :id),"
    " '1970-01-01 00:00:00.000000'))",
    "machines": "INSERT INTO machines (id, name, kind, created_at) VALUES (:id, :name, 'other',"
    " coalesce((SELECT min(started_at) FROM series WHERE machine_id = :id),"
    " '1970-01-01 00:00:00.000000'))",
}


def _name_what_is_lost(new: sqlite3.Connection, done: Salvaged) -> None:
    """Give each lost bench, caliper and machine that something belongs to a name."""
    for table, (column, others) in _NAMED.items():
        there = [other for other in others if _columns(new, other)]
        keys = " UNION ".join(f"SELECT {column} FROM {other}" for other in there)
        lost = new.execute(f"{keys} EXCEPT SELECT id FROM {table} ORDER BY 1").fetchall()
        for number, (key,) in enumerate(lost, 1):
            name = f"salvaged-{number}"
            while new.execute(f"SELECT 1 FROM {table} WHERE name = ?", [name]).fetchone():
                name += "-again"
            new.execute(_NEW_ROW[table], {"id": key, "name": name})
            done.follows.append(
                f"the name of {_ONE[table]} is lost: what belongs to it is kept under {name}"
            )
        done.lost[table] = max(done.lost[table], len(lost))


_ONE: Final = {"benches": "a bench", "calipers": "a caliper", "machines": "a machine"}


def _end_series_at_gaps(new: sqlite3.Connection, done: Salvaged) -> None:
    benches = new.execute("SELECT id, name, last_seq FROM benches ORDER BY id").fetchall()
    for bench, name, last in benches:
        used = [
            seq
            for (seq,) in new.execute(
                "SELECT seq FROM readings WHERE bench_id = ?1 UNION"
                " SELECT seq FROM acts WHERE bench_id = ?1 ORDER BY seq",
                [bench],
            )
        ]
        last = max(last, *used[-1:], 0)
        ends = [*used, last + 1]
        for before, after in zip([0, *used], ends, strict=True):
            if after > before + 1:
                _end(new, bench, after - 1)
                done.follows.append(_gap(new, bench, name, before + 1, after - 1))
        if _runs_against_its_row(new, bench):
            last += 1
            _end(new, bench, last)
        new.execute("UPDATE benches SET last_seq = ? WHERE id = ?", [last, bench])


def _end(new: sqlite3.Connection, bench: int, seq: int) -> None:
    """Log that whatever series runs on the bench ends at a number that is free."""
    new.execute(
        "INSERT INTO acts (id, bench_id, seq, kind, at) SELECT ?1, ?2, ?3, 'finish', coalesce("
        " (SELECT max(at) FROM (SELECT at, seq FROM acts WHERE bench_id = ?2 UNION ALL"
        "  SELECT kept_at, seq FROM readings WHERE bench_id = ?2) WHERE seq < ?3),"
        " '1970-01-01 00:00:00.000000')",
        [new_id().hex, bench, seq],
    )


def _gap(new: sqlite3.Connection, bench: int, name: str, first: int, last: int) -> str:
    (uncounted,) = new.execute(
        "SELECT count(*) FROM readings WHERE bench_id = ?1 AND seq > ?2 AND seq < coalesce("
        " (SELECT min(seq) FROM acts WHERE bench_id = ?1 AND seq > ?2"
        "  AND kind IN ('start', 'resume')), 9223372036854775807)",
        [bench, last],
    ).fetchone()
    which = f"number {first} is" if first == last else f"numbers {first} to {last} are"
    return (
        f"bench {name}: {which} lost, readings or what was done there; a series that ran then ends"
        f" before that, and the next {uncounted} readings are kept without a series"
    )


def _runs_against_its_row(new: sqlite3.Connection, bench: int) -> bool:
    """Whether a series that has ended runs by its bench's log, whose end is lost."""
    row = new.execute(
        "SELECT acts.kind, series.finished_at FROM acts LEFT JOIN series ON series.id = series_id"
        " WHERE acts.bench_id = ? AND kind IN ('start', 'resume', 'finish')"
        " ORDER BY seq DESC LIMIT 1",
        [bench],
    ).fetchone()
    return row is not None and row[0] != "finish" and row[1] is not None


# ---------------------------------------------------------------- what follows from it


def _announce(connection: Connection) -> None:
    """Write an event for each reading whose own is lost, so that streams and pulls tell it."""
    told = select(Event.subject).where(Event.kind == "reading", Event.subject.is_not(None))
    untold: dict[int, list[UUID]] = defaultdict(list)
    for row in connection.execute(
        select(Reading.id, Reading.bench_id).where(Reading.id.not_in(told)).order_by(Reading.seq)
    ):
        untold[row.bench_id].append(row.id)
    for bench, readings in untold.items():
        fates = _fates(connection, bench)
        nowhere = {"outcome": "no series", "trial": None, "place": None, "next": None}
        publish(
            connection,
            [EventRow(bench, "reading", each, fates.get(each, nowhere)) for each in readings],
        )


def _fates(connection: Connection, bench: int) -> dict[UUID, dict[str, Any]]:
    """What became of each reading of a bench, as its log says."""
    fates: dict[UUID, dict[str, Any]] = {}
    for series_id, entries in read_log_by_series(connection, bench):
        row = connection.execute(select(Series.__table__).where(Series.id == series_id)).one()
        places = method_of(row).places
        folding = pairing.Folding()
        for entry in entries:
            outcome = folding.take(entry)
            if isinstance(entry, records.Press):
                fates[entry.reading.id] = {
                    "outcome": outcome.kind,
                    "trial": outcome.trial,
                    "place": None if outcome.place is None else places[outcome.place].key,
                    "next": None,
                }
    return fates


def _put_at_square(connection: Connection, done: Salvaged) -> None:
    """Give the series whose stop is lost to the `square` of their machine."""
    lost = connection.scalar(select(func.count()).select_from(Series).where(astray()))
    if lost:
        done.follows.append(
            f"the stop of {lost} series is lost: they are kept at the machine's square; name their"
            " stop again where it was another"
        )
    fill_in(connection)


def _mark_ended(connection: Connection, done: Salvaged) -> None:
    """Mark the series that no bench feeds any more as ended, at the latest moment of its log."""
    running = select(Bench.series_id).where(Bench.series_id.is_not(None))
    latest = (
        select(func.max(Act.at))
        .where(Act.bench_id == Series.bench_id, Act.kind == "finish")
        .scalar_subquery()
    )
    connection.execute(
        update(Series)
        .where(Series.finished_at.is_(None), Series.id.not_in(running))
        .values(finished_at=func.coalesce(latest, Series.started_at))
    )
    begun = select(Act.series_id).where(Act.kind == "start", Act.series_id.is_not(None))
    unbegun = connection.scalar(
        select(func.count()).select_from(Series).where(Series.id.not_in(begun))
    )
    if unbegun:
        done.follows.append(
            f"{unbegun} series lost the entry of their start: their readings are kept without a"
            " series"
        )
