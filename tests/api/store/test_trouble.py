"""What a database says when it fails is told as what to do, and tells no secret."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text
from sqlalchemy.exc import DBAPIError

from api.store.trouble import sentence


def failed(path: Path, statement: str) -> DBAPIError:
    """What SQLAlchemy raises where SQLite takes `statement` on the file at `path` badly."""
    engine = create_engine(f"sqlite:///{path}", connect_args={"timeout": 0})
    try:
        with pytest.raises(DBAPIError) as caught, engine.begin() as connection:
            connection.execute(text(statement))
    finally:
        engine.dispose()
    return caught.value


def test_a_file_that_another_program_holds_is_said_to_be_held(tmp_path):
    path = tmp_path / "shop.sqlite"
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE readings (nm)")
        other.execute("BEGIN EXCLUSIVE")
        assert "another program holds" in sentence(failed(path, "DELETE FROM readings"))


def test_a_file_that_is_no_store_leads_to_a_backup(tmp_path):
    path = tmp_path / "shop.sqlite"
    path.write_bytes(b"a photograph" * 1000)
    assert "restore a backup" in sentence(failed(path, "SELECT * FROM readings"))
    path.unlink()
    assert "tables are gone" in sentence(failed(path, "SELECT * FROM readings"))


def test_a_folder_that_is_not_there_is_told_apart_from_damage(tmp_path):
    failure = failed(tmp_path / "none" / "shop.sqlite", "SELECT 1")
    assert "cannot be opened" in sentence(failure)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ("database or disk is full", "make room"),
        ("could not extend file: No space left on device", "make room"),
        ("attempt to write a readonly database", "rights of its file"),
        ("cannot execute INSERT in a read-only transaction", "the database's rights"),
        ("disk I/O error", "a backup"),
        ("database disk image is malformed", "restore a backup"),
        ("connection timeout expired", "in time"),
        ("connection to server at 10.0.0.5 failed: Connection refused", "can be reached"),
        ("server closed the connection unexpectedly", "can be reached"),
        ("the database system is shutting down", "start it again"),
        ("the database system is starting up", "still starting"),
        ("invalid page in block 0 of relation base/5/16384", "pg_amcheck"),
        ('could not read block 3 in file "base/5/16384": read only 0 of 8192 bytes', "pg_dump"),
        ("missing chunk number 0 for toast value 16441 in pg_toast_16384", "pg_dump"),
        ('relation "readings" does not exist', "tables are gone"),
    ],
)
def test_each_failure_says_what_to_do(said, words):
    assert words in sentence(OSError(said))


def test_what_nobody_knows_leads_to_the_log_and_repeats_nothing():
    error = DBAPIError("SELECT secret", {"password": "s3cret"}, Exception("odd s3cret"))
    assert sentence(error) == "the store does not take it; the program's log says more"
