"""Every connection has the settings that keep a reading, and a lost one is replaced."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import Engine, make_url, text
from sqlalchemy.exc import OperationalError

from api.store import engine as engines
from api.store.engine import (
    StoreError,
    Writer,
    begin_writing,
    file_in,
    open_engine,
    sqlite_file,
    sqlite_file_url,
    sqlite_url,
)

_PROCESS = text("SELECT pg_backend_pid()")


@pytest.fixture
def trusting_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every connection is asked whether it is still there, as after a rest."""
    monkeypatch.setattr(engines, "_TRUSTED_S", -1.0)


def _end(engine: Engine, process: int) -> None:
    """As a database that is started again ends its connections."""
    other = open_engine(engine.url.render_as_string(hide_password=False))
    with other.connect() as connection:
        connection.execute(text("SELECT pg_terminate_backend(:p, 10000)"), {"p": process})
    other.dispose()


# ------------------------------------------------------------ addresses


@pytest.mark.parametrize(
    ("url", "says"),
    [
        ("", "cannot be read"),
        ("shop.sqlite", "cannot be read; give one such as"),
        ("postgresql://db.local:port/shop", "cannot be read"),
        ("mysql://db.local/shop", "in SQLite or PostgreSQL, not in mysql"),
        ("sqlite://shop.sqlite", "sqlite://shop.sqlite does not name a store; give one such as"),
        ("sqlite+other://db.local/shop", "does not name a store"),
    ],
)
def test_what_is_no_address_of_a_store_is_refused(url, says):
    with pytest.raises(StoreError, match=says):
        open_engine(url)


def test_the_kind_of_store_decides_how_it_is_reached_and_not_the_driver_named(tmp_path):
    for driver in ("sqlite", "sqlite+aiosqlite"):
        engine = open_engine(f"{driver}:///{tmp_path}/shop.sqlite")
        assert engine.url.drivername == "sqlite"
        with engine.connect() as connection:
            assert connection.exec_driver_sql("SELECT 1").scalar() == 1
        engine.dispose()


@pytest.mark.parametrize("name", ["shop", "Böttcher & Söhne", "50% #1?"])
def test_a_folder_holds_one_file_whatever_it_is_called(tmp_path, name):
    folder = tmp_path / name
    folder.mkdir()
    assert sqlite_file(make_url(sqlite_url(folder))) == file_in(folder)
    engine = open_engine(sqlite_url(folder))
    with engine.connect() as connection:
        connection.execute(text("CREATE TABLE kept (n integer)"))
        connection.commit()
    engine.dispose()
    assert [path for path in folder.iterdir() if path.is_file()] == [file_in(folder)]


@pytest.mark.parametrize("url", ["sqlite://", "sqlite:///:memory:", "postgresql://db.local/shop"])
def test_a_store_without_a_file_has_none(url):
    assert sqlite_file(make_url(url)) is None


# ------------------------------------------------------------ settings of a connection


def test_each_sqlite_connection_is_safe_against_a_power_cut(tmp_path):
    engine = open_engine(sqlite_url(tmp_path))
    with engine.connect() as first, engine.connect() as second:
        for connection in (first, second):
            found = {
                name: connection.execute(text(f"PRAGMA {name}")).scalar()
                for name in ("journal_mode", "synchronous", "foreign_keys", "recursive_triggers")
            }
            # 2 is FULL.
            assert found == {
                "journal_mode": "wal",
                "synchronous": 2,
                "foreign_keys": 1,
                "recursive_triggers": 1,
            }
    engine.dispose()


def test_a_file_that_is_only_read_stays_as_it_is_and_alone(tmp_path):
    path = tmp_path / "a backup?.sqlite"
    with closing(sqlite3.connect(path)) as made:
        made.execute("CREATE TABLE kept (n integer)")
    before = path.read_bytes()
    engine = open_engine(sqlite_file_url(path, read_only=True))
    with engine.connect() as connection:
        assert connection.scalar(text("SELECT count(*) FROM kept")) == 0
        assert list(tmp_path.iterdir()) == [path]
        with pytest.raises(OperationalError, match="readonly"):
            connection.execute(text("INSERT INTO kept VALUES (1)"))
    engine.dispose()
    assert path.read_bytes() == before


@pytest.mark.parametrize("writes", [True, False])
def test_only_a_transaction_that_writes_takes_the_lock_at_its_start(tmp_path: Path, writes):
    engine = open_engine(sqlite_url(tmp_path))
    with engine.connect() as connection:
        if writes:
            begin_writing(connection)
        with (
            connection.begin(),
            closing(sqlite3.connect(file_in(tmp_path), timeout=0, isolation_level=None)) as other,
        ):
            if writes:
                with pytest.raises(sqlite3.OperationalError, match="locked"):
                    other.execute("BEGIN IMMEDIATE")
            else:
                other.execute("BEGIN IMMEDIATE")
                other.execute("ROLLBACK")
    engine.dispose()


# ------------------------------------------------------------ connections that are kept


def test_a_writer_keeps_its_connection_until_it_is_closed(engine):
    writer = Writer(engine)
    kept = writer.take()
    assert writer.take() is kept
    assert not kept.in_transaction()
    writer.close()
    writer.close()
    again = writer.take()
    assert again is not kept
    assert again.scalar(text("SELECT 1")) == 1
    writer.close()


@pytest.mark.parametrize("store_url", ["postgresql"], indirect=True)
@pytest.mark.usefixtures("trusting_nothing")
def test_a_writer_replaces_a_connection_that_was_ended(engine):
    writer = Writer(engine)
    with writer.take().begin() as transaction:
        ended = transaction.connection.scalar(_PROCESS)
    _end(engine, ended)
    assert writer.take().scalar(_PROCESS) != ended
    writer.close()


@pytest.mark.parametrize("store_url", ["postgresql"], indirect=True)
@pytest.mark.usefixtures("trusting_nothing")
def test_the_pool_hands_out_no_connection_that_was_ended(engine):
    with engine.connect() as connection:
        ended = connection.scalar(_PROCESS)
    _end(engine, ended)
    with engine.connect() as connection:
        assert connection.scalar(_PROCESS) != ended


@pytest.mark.parametrize("store_url", ["sqlite"], indirect=True)
def test_a_writer_writes_to_no_file_in_the_place_of_its_own(engine, tmp_path):
    writer = Writer(engine)
    writer.take()
    writer.close()
    path = sqlite_file(engine.url)
    path.rename(tmp_path / "moved.sqlite")
    for _ in range(2):
        with pytest.raises(StoreError, match="put it back"):
            writer.take()
    assert not path.exists()
