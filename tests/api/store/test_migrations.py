"""Stores of every earlier step are upgraded to the present one without loss."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import sqlite3
import zipfile
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any
from uuid import UUID

import openpyxl
import pyarrow.parquet
import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, text
from sqlalchemy.exc import DBAPIError

from api.server import Server
from api.settings import Settings
from api.store import doctor, migrations, schema_step
from api.store.engine import StoreError, open_engine, sqlite_file_url, sqlite_url
from api.store.rows import changes
from api.store.rows.machines import machines
from api.store.rows.stops import stops
from api.store.tables import Base
from tests.api.stores import STORES, copy_stored, maker
from tests.ptys import PATIENCE_S

EXPORTS = sorted(STORES[0].parent.glob("*-exports"))
BringUp = Callable[[Path], Engine]


def steps() -> list[str]:
    scripts = ScriptDirectory(str(Path(migrations.__file__).parent))
    return [script.revision for script in scripts.walk_revisions()][::-1]


def test_the_program_knows_the_newest_step_and_one_follows_the_other():
    found = steps()
    assert found[-1] == schema_step.HEAD
    assert found == sorted(found)
    assert all(re.fullmatch(r"\d{4}", step) for step in found)


def test_every_earlier_step_has_its_stored_store():
    assert {path.stem for path in STORES} >= set(steps()[:-1])


@pytest.fixture(params=["sqlite", "postgresql"])
def put_back(request: pytest.FixtureRequest, tmp_path: Path) -> Callable[[Path], str]:
    """Restores a stored store, on either engine and at its own step; returns its URL."""
    if request.param == "sqlite":

        def copied(stored: Path) -> str:
            (tmp_path / "shop").mkdir()
            shutil.copy(stored, tmp_path / "shop" / "bothends.sqlite")
            return sqlite_url(tmp_path / "shop")

        return copied
    server = request.getfixturevalue("postgres_server")

    def filled(stored: Path) -> str:
        url: str = server.url(server.new_database())
        engine = open_engine(url)
        copy_stored(stored, engine)
        engine.dispose()
        return url

    return filled


@pytest.fixture
def bring_up(put_back: Callable[[Path], str]) -> Iterator[BringUp]:
    """Restores one of the stored stores and upgrades it."""
    engines: list[Engine] = []

    def brought(stored: Path) -> Engine:
        engine = open_engine(put_back(stored))
        engines.append(engine)
        migrations.upgrade(engine)
        return engine

    yield brought
    for engine in engines:
        engine.dispose()


@pytest.mark.parametrize("stored", STORES, ids=lambda path: path.stem)
def test_a_store_of_an_earlier_step_comes_up_and_its_log_still_gives_its_trials(
    stored, put_back, tmp_path
):
    data = tmp_path / "shop"
    url = put_back(stored)
    server = Server(Settings(data=data, db=url))
    try:
        with server.reading() as store:
            assert schema_step.revision(store) == schema_step.HEAD
            found = [finding.sentence for finding in doctor.findings(store)]
            computed = [
                "uncertainty as another version of this program computed it" in f for f in found
            ]
            assert computed == ([True] if stored.stem < "0007" else [])
            assert [m.name for m in machines(store)] == ["Blue sled", "Window saw"]
            trials = store.execute(text("SELECT readings_mm FROM trial_history ORDER BY taken_at"))
            assert "12.065 12.2428" in trials.scalars().all()
            for machine in machines(store):
                assert [(s.name, s.nominal_deg) for s in stops(store, machine.id)] == [
                    ("square", "0")
                ]
            assert store.scalar(text("SELECT count(*) FROM series WHERE stop_id IS NULL")) == 0
        doctor.repair(server.engine)
        with server.reading() as store:
            assert list(doctor.findings(store)) == []
        following = server.bench("main").next
        assert following is not None
        assert (following.at.trial, following.place.key) == (2, "open end")
    finally:
        server.close()
    copies = [p.stem for p in data.glob("bothends-before-*.sqlite")]
    if stored.stem == schema_step.HEAD or url.startswith("postgresql"):
        assert copies == []
        return
    # What was there before lies beside it, as it was.
    assert copies == [f"bothends-before-{schema_step.HEAD}"]
    with closing(sqlite3.connect(data / f"{copies[0]}.sqlite")) as copy:
        assert copy.execute("SELECT version_num FROM alembic_version").fetchone() == (stored.stem,)
        readings = 16 if stored.stem < "0005" else 27
        assert copy.execute("SELECT count(*) FROM readings").fetchone() == (readings,)


@pytest.mark.parametrize(
    "stored", [path for path in STORES if path.stem < "0006"], ids=lambda path: path.stem
)
def test_trials_keep_their_ids_flags_and_calipers_as_an_export_writes_them(stored, bring_up):
    with closing(sqlite3.connect(stored)) as store:
        before = {
            trial: (flags, calipers)
            for trial, flags, calipers in store.execute(
                "SELECT id, flags, caliper FROM trials WHERE state <> 'gone'"
            )
        }
    (data,) = (data for name, data in maker().exports(bring_up(stored)) if name == "trials.csv")
    after = csv.DictReader(io.StringIO(data.decode(), newline=""))
    assert {r["trial_id"].replace("-", ""): (r["flags"], r["caliper"]) for r in after} == before


@pytest.mark.parametrize("folder", EXPORTS, ids=lambda path: path.name)
def test_every_export_of_a_store_that_was_brought_up_says_what_it_said(folder, bring_up):
    exports = dict(maker().exports(bring_up(_store_of(folder))))
    kept = {file.name: file.read_bytes() for file in folder.iterdir() if "_" not in file.name}
    assert exports.keys() == kept.keys()
    for name, data in exports.items():
        now = _tables(name, data)
        if folder.name < "0010":
            now = {table: _before_stops(rows) for table, rows in now.items()}
        for table, (header, *rows) in _tables(name, kept[name]).items():
            # Columns are only ever added, at the end.
            assert [row[: len(header)] for row in now[table]] == [header, *rows], (name, table)


def _before_stops(rows: list[list[Any]]) -> list[list[Any]]:
    """The rows of an export as they were while no stops were kept; all are at square now."""
    if "stop" not in rows[0]:
        return rows
    at = rows[0].index("stop")
    assert {(row[at], float(row[at + 1])) for row in rows[1:]} == {("square", 0)}
    nothing = "" if isinstance(rows[1][0], str) and isinstance(rows[1][at + 1], str) else None
    return [rows[0], *([*row[:at], nothing, nothing, *row[at + 2 :]] for row in rows[1:])]


def _store_of(folder: Path) -> Path:
    return folder.with_name(folder.name.replace("-exports", ".sqlite"))


def _tables(name: str, data: bytes) -> dict[str, list[list[Any]]]:
    """The tables that an export holds, each with its header first."""
    match name.rpartition(".")[2]:
        case "csv":
            return {name: list(csv.reader(io.StringIO(data.decode(), newline="")))}
        case "parquet":
            table = pyarrow.parquet.read_table(io.BytesIO(data))
            return {name: [table.column_names, *(list(r.values()) for r in table.to_pylist())]}
        case "xlsx":
            book = openpyxl.load_workbook(io.BytesIO(data))
            return {
                sheet.title: [list(row) for row in sheet.iter_rows(values_only=True)]
                for sheet in book.worksheets
                if sheet.title != "notes"
            }
        case "zip":
            with zipfile.ZipFile(io.BytesIO(data)) as archive:
                members = [n for n in archive.namelist() if n.endswith(".csv")]
                return {n: _tables(n, archive.read(n))[n] for n in members}
        case "jsonl":
            found = [json.loads(line) for line in data.splitlines()]
            return {name: [list(found[0]), *(list(row.values()) for row in found)]}
        case _:
            return {name: [["whole"], [data]]}


def _plain(value: Any) -> Any:
    """A value as SQLite would give it."""
    match value:
        case datetime():
            return value.astimezone(UTC).replace(tzinfo=None).isoformat(" ", "microseconds")
        case UUID():
            return str(value)
        case Decimal():
            return float(value)
        case _:
            return value


@pytest.mark.parametrize("folder", EXPORTS, ids=lambda path: path.name)
def test_the_views_keep_their_columns_and_values(folder, bring_up):
    engine = bring_up(_store_of(folder))
    for name in maker().VIEWS:
        columns, *rows = map(json.loads, (folder / f"{name}.jsonl").read_text().splitlines())
        with engine.connect() as store:
            found = store.execute(text(f"SELECT * FROM {name}"))
            # Columns are only ever added, at the end.
            assert list(found.keys())[: len(columns)] == columns
            given = sorted((list(row)[: len(columns)] for row in found), key=lambda r: str(r[0]))
        assert [[_plain(value) for value in row] for row in given] == rows


def test_the_steps_make_the_tables_that_the_program_works_with(engine):
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []


def test_a_store_of_a_newer_program_is_left_alone(engine):
    with engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(StoreError, match="upgrade the program"):
        migrations.upgrade(engine)


def test_a_database_of_another_program_is_left_alone(store_url):
    engine = open_engine(store_url)
    with engine.begin() as connection:
        for name in ("alembic_version", *(t.name for t in reversed(Base.metadata.sorted_tables))):
            connection.execute(text("DROP VIEW IF EXISTS trial_history"))
            connection.execute(text("DROP VIEW IF EXISTS reading_history"))
            connection.execute(text(f"DROP TABLE IF EXISTS {name}"))
        connection.execute(text("CREATE TABLE events (what text)"))
    with pytest.raises(StoreError, match="another program"):
        migrations.upgrade(engine)
    engine.dispose()


def test_a_file_that_is_no_store_is_refused_in_a_sentence(tmp_path):
    path = tmp_path / "letter.sqlite"
    path.write_text("Dear shop, the saw is fine. " * 50)
    engine = open_engine(sqlite_file_url(path))
    with pytest.raises(StoreError, match=r"letter\.sqlite cannot be used .*not a database"):
        migrations.upgrade(engine)
    engine.dispose()


def test_a_database_that_is_not_there_is_told_in_a_sentence(tmp_path):
    pytest.importorskip("psycopg")
    engine = open_engine(f"postgresql://me:secret@/shop?host={tmp_path}")
    with pytest.raises(StoreError, match="cannot be used") as told:
        migrations.upgrade(engine)
    assert "secret" not in str(told.value)
    engine.dispose()


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_servers_that_start_together_on_an_empty_store_both_come_up(kind, tmp_path, request):
    url = sqlite_url(tmp_path)
    if kind == "postgresql":
        server = request.getfixturevalue("postgres_server")
        url = server.url(server.new_database())
    engines = [open_engine(url) for _ in range(3)]
    with ThreadPoolExecutor(3) as pool:
        list(pool.map(migrations.upgrade, engines))
    for engine in engines:
        with engine.connect() as connection:
            assert schema_step.revision(connection) == schema_step.HEAD
        engine.dispose()


def test_a_server_waits_for_the_one_that_is_making_the_same_new_file(tmp_path):
    """SQLite itself would not: who opens a file that another begins to write fails at once."""
    url = sqlite_url(tmp_path)
    engine = open_engine(url)
    other = sqlite3.connect(tmp_path / "bothends.sqlite", isolation_level=None)
    with closing(other), ThreadPoolExecutor(1) as pool:
        other.execute("BEGIN IMMEDIATE")
        opened = pool.submit(engine.connect)
        with pytest.raises(TimeoutError):
            opened.result(0.2)
        other.execute("ROLLBACK")
        with opened.result(PATIENCE_S) as connection:
            assert connection.execute(text("PRAGMA journal_mode")).scalar() == "wal"
    engine.dispose()


def test_who_measured_is_held_as_a_person_in_the_trail_of_an_earlier_form_too(put_back):
    """So that one who is made anonymous is so there: the trail kept the name itself."""
    (stored,) = (path for path in STORES if path.stem == "0011")
    engine = open_engine(put_back(stored))
    try:
        with engine.begin() as connection:
            for number, before, after in ((1, None, '"Ada"'), (2, '"Ada"', '"Bo"')):
                connection.execute(
                    text(
                        "INSERT INTO changes (id, act, at, subject_kind, subject, series_id, field,"
                        " before, after) SELECT :id, :id, started_at, 'series', CAST(id AS text),"
                        " id, 'person', :before, :after FROM series ORDER BY started_at LIMIT 1"
                    ),
                    {
                        "id": f"0000000000000000000000000000000{number}",
                        "before": before,
                        "after": after,
                    },
                )
        migrations.upgrade(engine)
        with engine.connect() as store:
            trail = changes.since(store, None, None, 9)
            told = [(c.before, c.after) for c in trail if c.field == "person"]
            assert told == [(None, "Ada"), ("Ada", "Bo")]
            held = store.execute(text("SELECT before, after FROM changes WHERE field = 'person'"))
            assert "Ada" not in str(held.all())
            assert [p.name for p in changes.people(store)] == ["Ada", "Bo"]
        with pytest.raises(DBAPIError, match="are never changed"), engine.begin() as connection:
            connection.execute(text("UPDATE changes SET reason = 'other'"))
    finally:
        engine.dispose()
