"""Damage of a store is recognised, said once with the latest good backup, and stops all writing."""

from __future__ import annotations

import logging
import re
import shlex
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from threading import Event

import pytest
from sqlalchemy import Engine, text
from sqlalchemy.exc import DBAPIError, OperationalError

from api.store import backup, damage
from api.store.condition import Condition, damaged
from api.store.engine import GoneStore, StoreError, file_in, open_engine, sqlite_file_url
from api.store.place import options
from tests.api.damage import number_of_pages, overwrite, small_store
from tests.ptys import until


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_store(tmp_path_factory.mktemp("whole") / "bothends.sqlite")


@pytest.fixture
def store(whole: Path, tmp_path: Path) -> Path:
    shutil.copy(whole, file_in(tmp_path))
    return file_in(tmp_path)


@pytest.fixture
def opened(store: Path) -> Iterator[Engine]:
    engine = open_engine(sqlite_file_url(store))
    yield engine
    engine.dispose()


def _failure(engine: Engine, statement: str) -> DBAPIError:
    with pytest.raises(DBAPIError) as caught, engine.connect() as connection:
        connection.execute(text(statement)).all()
    return caught.value


def test_a_page_that_cannot_be_read_is_damage_and_a_lock_is_none(
    store: Path, opened: Engine
) -> None:
    locked = sqlite3.OperationalError("database is locked")
    assert damage.meant(locked) == ""
    overwrite(store, set(range(2, number_of_pages(store) + 1)), seed=1)
    failure = _failure(opened, "SELECT * FROM readings")
    assert damage.meant(failure) == "a part of it cannot be read"


def test_a_table_that_is_gone_is_damage_and_what_the_program_does_wrong_is_none(
    opened: Engine,
) -> None:
    assert damage.meant(_failure(opened, "SELECT * FROM radings")) == "a table is gone"
    assert damage.meant(_failure(opened, "SELECT 1 FROM")) == ""
    assert damage.meant(ValueError("no such table")) == ""


def test_a_file_is_looked_through_and_only_a_damaged_one_is_told(store: Path) -> None:
    assert damage.found_in(store, rows=True) == ""
    assert damage.looked_through(store).result(30) == ""
    with closing(sqlite3.connect(store)) as other, other:
        other.execute("DELETE FROM calipers")
    assert damage.found_in(store) == ""
    assert damage.found_in(store, rows=True) == "rows are missing in it"
    overwrite(store, {5}, seed=1)
    assert damage.looked_through(store).result(30) != ""


def test_a_look_that_takes_too_long_finds_nothing(store: Path) -> None:
    with closing(sqlite3.connect(store)) as large, large:
        large.execute("DELETE FROM calipers")
        large.execute(
            "CREATE TABLE large AS WITH RECURSIVE n(i) AS"
            " (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 200000) SELECT i FROM n"
        )
    assert damage.found_in(store, seconds=0.0, rows=True) == ""
    assert damage.found_in(store, rows=True) == "rows are missing in it"


def test_a_damaged_store_is_only_read_and_said_with_its_latest_backup(
    store: Path, opened: Engine, caplog: pytest.LogCaptureFixture
) -> None:
    copy = store.parent / "backups" / "bothends-2026-11-28.sqlite"
    copy.parent.mkdir()
    backup.back_up(opened, copy)
    changed = Event()
    condition = Condition(opened, store.parent, changed.set)
    assert condition.damaged == ""
    condition.found("a part of it cannot be read")
    condition.found("something else")  # the first counts
    assert "is damaged (a part of it cannot be read)" in condition.damaged
    assert until(lambda: copy.name in condition.damaged)
    assert changed.is_set()
    before = store.read_bytes()
    with opened.connect() as connection:
        assert connection.execute(text("SELECT count(*) FROM readings")).scalar_one() > 0
        with pytest.raises(OperationalError, match="readonly"):
            connection.execute(text("UPDATE benches SET last_seq = 0"))
    assert store.read_bytes() == before
    assert until(lambda: [r for r in caplog.records if r.levelno == logging.ERROR])
    (said,) = [r for r in caplog.records if r.levelno == logging.ERROR]
    assert copy.name in said.getMessage()


def test_the_commands_that_are_named_act_on_this_store_wherever_they_are_pasted(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    elsewhere, small = tmp_path / "my shop.db", tmp_path / "small"
    elsewhere.touch()
    for path, data, wanted in (
        (store, store.parent, ["--data", str(store.parent)]),
        (elsewhere, small, ["--db", sqlite_file_url(elsewhere), "--data", str(small)]),
    ):
        said = damaged(path, data, "torn", Path("shop-2026-11-28.sqlite"))
        named = re.findall(r"bothends (?:restore latest|doctor --salvage \S+) (.*?), which", said)
        assert [shlex.split(each) for each in named] == [wanted, wanted]
    monkeypatch.chdir(tmp_path)
    assert options(Path("bothends.sqlite")) == f"--data {tmp_path}"


def test_a_backup_that_is_not_as_it_was_written_is_not_named(store: Path, opened: Engine) -> None:
    folder = store.parent / "backups"
    folder.mkdir()
    for day in (27, 28):
        backup.back_up(opened, folder / f"bothends-2026-11-{day}.sqlite")
    overwrite(folder / "bothends-2026-11-28.sqlite", {3}, seed=1)
    condition = Condition(opened, store.parent, lambda: None)
    condition.found("a part of it cannot be read")
    assert until(lambda: "bothends-2026-11-27.sqlite" in condition.damaged)


def test_an_error_of_the_programs_own_is_no_damage_of_a_whole_store(
    store: Path, opened: Engine
) -> None:
    condition = Condition(opened, store.parent, lambda: None)
    assert condition.met(ValueError("a mistake")) == ""
    assert condition.damaged == ""


def test_an_error_of_the_programs_own_is_damages_where_rows_are_missing(
    store: Path, opened: Engine
) -> None:
    with closing(sqlite3.connect(store)) as other, other:
        other.execute("DELETE FROM calipers")
    condition = Condition(opened, store.parent, lambda: None)
    assert "rows are missing" in condition.met(LookupError("no caliper"))


def test_a_store_that_is_away_or_refuses_is_no_damaged_one(store: Path, opened: Engine) -> None:
    condition = Condition(opened, store.parent, lambda: None)
    assert condition.met(GoneStore("it was taken away; put it back")).startswith(
        "it was taken away"
    )
    assert condition.met(StoreError("no")) == "no"
    assert condition.damaged == ""
