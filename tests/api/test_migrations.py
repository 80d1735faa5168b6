"""Stores of every earlier step come up to the present one, whole."""

from __future__ import annotations

import re
import shutil
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import text

from api.server import Shop
from api.settings import Settings
from api.store import doctor, migrations
from api.store.engine import StoreError, open_engine, sqlite_file_url, sqlite_url
from api.store.rows.machines import machines
from api.store.tables import Base

STORES = sorted((Path(__file__).parents[2] / "fixtures" / "stores").glob("*.sqlite"))


def steps() -> list[str]:
    scripts = ScriptDirectory(str(Path(migrations.__file__).parent))
    return [script.revision for script in scripts.walk_revisions()][::-1]


def test_the_program_knows_the_newest_step_and_one_follows_the_other():
    found = steps()
    assert found[-1] == migrations.HEAD
    assert found == sorted(found)
    assert all(re.fullmatch(r"\d{4}", step) for step in found)


def test_every_earlier_step_has_its_stored_store():
    assert {path.stem for path in STORES} >= set(steps()[:-1])


@pytest.mark.parametrize("stored", STORES, ids=lambda path: path.stem)
def test_a_store_of_an_earlier_step_comes_up_and_its_log_still_gives_its_trials(stored, tmp_path):
    data = tmp_path / "shop"
    data.mkdir()
    shutil.copy(stored, data / "bothends.sqlite")
    shop = Shop(Settings(data=data))
    try:
        with shop.reading() as store:
            assert migrations.revision(store) == migrations.HEAD
            assert list(doctor.findings(store)) == []
            assert [m.name for m in machines(store)] == ["Blue sled", "Window saw"]
            trials = store.execute(text("SELECT readings_mm FROM trial_history ORDER BY taken_at"))
            assert "12.065 12.2428" in trials.scalars().all()
        following = shop.bench("main").next
        assert following is not None
        assert (following.at.trial, following.place.key) == (2, "open end")
    finally:
        shop.close()
    copies = [p.stem for p in data.glob("bothends-before-*.sqlite")]
    if stored.stem == migrations.HEAD:
        assert copies == []
        return
    # What was there before lies beside it, as it was.
    assert copies == [f"bothends-before-{migrations.HEAD}"]
    with closing(sqlite3.connect(data / f"{copies[0]}.sqlite")) as copy:
        assert copy.execute("SELECT version_num FROM alembic_version").fetchone() == (stored.stem,)
        assert copy.execute("SELECT count(*) FROM readings").fetchone() == (16,)


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
            assert migrations.revision(connection) == migrations.HEAD
        engine.dispose()
