"""What is at a store's place is found out without a byte of it being changed."""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import text

from api.commands.stores import open_existing
from api.server import Server
from api.settings import Settings
from api.store import backup, migrations, moving
from api.store.condition import damaged
from api.store.damage import found_in
from api.store.engine import StoreError, file_in, open_engine, sqlite_file_url, sqlite_url
from api.store.opening import open_store
from api.store.place import look
from tests.api.stores import STORES, fill

ELSEWHERE = "Give bothends a folder of its own"


@pytest.fixture
def place(tmp_path: Path) -> Path:
    (tmp_path / "data").mkdir()
    return file_in(tmp_path / "data")


def _everything(folder: Path) -> dict[str, bytes]:
    """Each file's content, but that of the index of a log: whoever reads a log makes it."""
    return {
        path.name: path.read_bytes()
        for path in folder.iterdir()
        if path.is_file() and not path.name.endswith("-shm")
    }


def _foreign(path: Path, *, mode: str = "DELETE", log: bool = False) -> None:
    """Another program's database; with `log`, what is in it is still in its log."""
    made = path.with_name("made")
    with closing(sqlite3.connect(made, isolation_level=None)) as other:
        other.execute(f"PRAGMA journal_mode={mode}")
        other.execute("CREATE TABLE machines (name)")
        other.execute("INSERT INTO machines VALUES ('espresso')")
        for suffix in ("", "-wal") if log else ():
            shutil.copy(f"{made}{suffix}", f"{path}{suffix}")
    if not log:
        shutil.copy(made, path)
    made.unlink()


def _text(path: Path) -> None:
    path.write_text("Dear diary, " * 500)


def _marked(path: Path) -> None:
    with closing(sqlite3.connect(path)) as other:
        other.execute("PRAGMA application_id=42")


def _noise(path: Path) -> None:
    path.write_bytes(b"SQLite format 3\0" + bytes(range(256)) * 40)


def _newer(path: Path) -> None:
    engine = open_engine(sqlite_file_url(path))
    migrations.upgrade(engine)
    with engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    engine.dispose()
    with closing(sqlite3.connect(path)) as store:
        store.execute("PRAGMA journal_mode=DELETE")  # as a backup is


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (_foreign, "another program"),
        (lambda path: _foreign(path, mode="WAL"), "another program"),
        (lambda path: _foreign(path, mode="WAL", log=True), "another program"),
        (_text, "no database"),
        (_marked, "another program"),
        (_noise, "is damaged"),
        (lambda path: path.mkdir(), "a folder or a device"),
        (_newer, "written by a newer bothends"),
    ],
    ids=["plain", "with a log", "all in its log", "text", "marked", "noise", "folder", "newer"],
)
def test_what_is_no_store_is_refused_and_stays_as_it_is(place, make, says):
    make(place)
    if place.is_dir():
        with pytest.raises(StoreError, match=says):
            open_store(Settings(data=place.parent))
        assert not any(place.iterdir())
        return
    before = _everything(place.parent)
    for data, db in ((place.parent, None), (place.parent / "other", sqlite_file_url(place))):
        with pytest.raises(StoreError, match=says):
            open_store(Settings(data=data, db=db))
    assert _everything(place.parent) == before


def test_the_other_commands_leave_it_as_it_is_too(place):
    _foreign(place)
    before = _everything(place.parent)
    with pytest.raises(StoreError, match=ELSEWHERE):
        open_existing(sqlite_url(place.parent))
    source = open_engine(sqlite_file_url(STORES[-1]))
    with pytest.raises(StoreError, match=ELSEWHERE):
        moving.move(source, open_engine(sqlite_url(place.parent)))
    source.dispose()
    assert _everything(place.parent) == before


def test_a_place_that_cannot_be_read_is_said(place):
    place.write_bytes(b"x")
    if os.geteuid() == 0:
        pytest.skip("root may read everything")
    place.chmod(0)
    with pytest.raises(StoreError, match="see to its rights"):
        look(place)


def test_nothing_is_there_before_the_first_start(place):
    assert look(place).state == "nothing"
    place.touch()  # killed at its very first moment
    assert look(place).state == "nothing"
    with closing(sqlite3.connect(place)) as begun:
        begun.execute("PRAGMA journal_mode=WAL")
    assert look(place).state == "nothing"


@pytest.mark.parametrize("stored", STORES, ids=lambda path: path.stem)
def test_a_store_of_each_step_is_one(stored):
    found = look(stored)
    assert (found.state, found.step) == ("store", stored.stem)


def test_a_store_that_is_all_in_its_log_is_one(place):
    engine = open_engine(sqlite_url(place.parent))
    migrations.upgrade(engine)
    fill(engine)
    killed = place.parent / "killed"
    killed.mkdir()
    for suffix in ("", "-wal"):
        shutil.copy(f"{place}{suffix}", killed)
    engine.dispose()
    assert look(file_in(killed)).state == "store"


@pytest.mark.parametrize("left", ["nothing", "an empty file"])
def test_a_log_without_its_file_is_what_is_left_of_a_store(place, left):
    engine = open_engine(sqlite_url(place.parent))
    migrations.upgrade(engine)
    fill(engine)
    killed = file_in(place.parent / "killed")
    killed.parent.mkdir()
    shutil.copy(f"{place}-wal", f"{killed}-wal")
    engine.dispose()
    if left == "an empty file":
        killed.touch()
    found = look(killed)
    assert (found.state, found.why) == (
        "damaged",
        "it is not there or empty, but its log is there",
    )
    said = damaged(killed, killed.parent, found.why, None)
    assert "bothends doctor --salvage" in said
    # Nothing that only reads lets SQLite delete the log.
    log = killed.with_name(f"{killed.name}-wal")
    before = log.read_bytes()
    server = Server(Settings(data=killed.parent))
    try:
        assert "--salvage" in server.trouble()
        found_in(killed)
        with pytest.raises(StoreError):
            backup.make(killed, place.with_name("copy"), backup.Made(1, datetime.now(UTC)))
    finally:
        server.close()
    assert log.read_bytes() == before


@pytest.mark.parametrize("header", [b"", b"\0" * 16], ids=["cut off", "zeros"])
def test_a_store_whose_first_page_is_overwritten_is_a_damaged_one(place, header):
    engine = open_engine(sqlite_url(place.parent))
    migrations.upgrade(engine)
    engine.dispose()
    whole = place.read_bytes()
    place.write_bytes((header or b"\xff" * 16) + whole[16:])
    assert look(place).state == "damaged"
    place.write_bytes(whole[:100] + b"\xff" * 3996 + whole[4096:])
    assert look(place).state == "damaged"


def test_a_store_without_one_of_its_tables_is_a_damaged_one(place):
    engine = open_engine(sqlite_url(place.parent))
    migrations.upgrade(engine)
    with engine.begin() as connection:
        connection.execute(text("DROP TABLE refusals"))
    engine.dispose()
    found = look(place)
    assert (found.state, found.why) == ("damaged", "it has no table refusals")
