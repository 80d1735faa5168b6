"""A backup made while the store is in use holds what was acknowledged, and can be restored."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import threading
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import text

from api.cli import main
from api.server import Server
from api.settings import Settings
from api.store import backup, doctor, migrations
from api.store.engine import StoreError, open_engine, sqlite_file_url, sqlite_url
from api.store.journal import Journal
from api.store.stamps import new_id
from capture.records import Reading
from tests.api.small_files import ALL, NAMES, put_small_files
from tests.api.stores import correct, digests, fill

_NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


@pytest.fixture
def shop_folder(tmp_path: Path) -> Path:
    folder = tmp_path / "shop"
    folder.mkdir()
    engine = open_engine(sqlite_url(folder))
    migrations.upgrade(engine)
    fill(engine)
    correct(engine)
    engine.dispose()
    return folder


def test_a_restored_backup_is_the_store_and_goes_on(shop_folder, tmp_path, capsys):
    file = tmp_path / "2026-03-02.sqlite"
    assert main(["backup", "--data", str(shop_folder), "--to", str(file)]) == 0
    assert main(["backup", "--check", str(file)]) == 0
    assert capsys.readouterr().out.count("16 readings") == 2
    # The copy is one file, and its checksum is in the format of sha256sum.
    assert sorted(p.name for p in tmp_path.glob("2026*")) == [file.name, f"{file.name}.sha256"]
    if shutil.which("sha256sum"):
        subprocess.run(
            ["sha256sum", "--check", "--quiet", f"{file.name}.sha256"], cwd=tmp_path, check=True
        )

    engine = open_engine(sqlite_url(shop_folder))
    before = digests(engine)
    engine.dispose()
    # As the manual says: the store's files away, the backup in their place.
    for old in shop_folder.glob("bothends.sqlite*"):
        old.unlink()
    shutil.copy(file, shop_folder / "bothends.sqlite")
    server = Server(Settings(data=shop_folder))
    try:
        assert digests(server.engine) == before
        reading = Reading(new_id(), "main", "main caliper", "0.513", "in", 13_030_200, _NOON)
        assert server.journal.keep([reading]).stored == 1
        with server.reading() as store:
            assert list(doctor.findings(store)) == []
    finally:
        server.close()


def test_a_backup_during_writing_holds_all_that_was_acknowledged_before_it(shop_folder, tmp_path):
    engine = open_engine(sqlite_url(shop_folder))
    journal = Journal(engine)
    over = threading.Event()
    kept: list[str] = []
    enough = threading.Event()

    def write() -> None:
        number = 0
        while not over.is_set():
            number += 1
            reading = Reading(
                new_id(),
                "main",
                "main caliper",
                f"1{number % 7}.00",
                "mm",
                (10 + number % 7) * 1_000_000,
                _NOON + timedelta(seconds=4 * number),
            )
            journal.keep([reading])
            kept.append(reading.id.hex)
            if len(kept) > 20:
                enough.set()

    writer = threading.Thread(target=write)
    writer.start()
    try:
        assert enough.wait(30)
        before = list(kept)
        backup.back_up(engine, tmp_path / "copy.sqlite")
    finally:
        over.set()
        writer.join()
    engine.dispose()
    copy = open_engine(sqlite_file_url(tmp_path / "copy.sqlite"))
    with copy.connect() as connection:
        there = set(connection.scalars(text("SELECT id FROM readings")))
        assert set(before) <= there
        # One snapshot: no reading without its trial, no number missing.
        assert list(doctor.findings(connection)) == []
    copy.dispose()


def test_a_copy_ends_however_much_is_pressed_meanwhile(shop_folder, tmp_path, monkeypatch):
    monkeypatch.setattr(backup, "_PAGES", 5)
    engine = open_engine(sqlite_url(shop_folder))
    journal = Journal(engine)
    steps = 0

    def press(_done: int, whole: int) -> None:
        nonlocal steps
        steps += 1
        assert steps <= whole, "each press starts the copy anew"
        moment = _NOON + timedelta(seconds=4 * steps)
        journal.keep([Reading(new_id(), "main", "g", "11.00", "mm", 11_000_000, moment)])

    backup.back_up(engine, tmp_path / "copy.sqlite", press)
    engine.dispose()
    assert steps > 5
    copy = open_engine(sqlite_file_url(tmp_path / "copy.sqlite"))
    with copy.connect() as connection:
        assert connection.scalar(text("SELECT count(*) FROM readings")) == 16
        assert list(doctor.findings(connection)) == []
    copy.dispose()


def test_remembered_calipers_and_own_methods_are_in_it(shop_folder, tmp_path, capsys):
    put_small_files(shop_folder)
    (shop_folder / "methods" / "notes.txt").write_text("not a method")
    file = tmp_path / "copy.sqlite"
    assert main(["backup", "--data", str(shop_folder), "--to", str(file)]) == 0
    assert main(["backup", "--check", str(file)]) == 0
    assert capsys.readouterr().out.count(f"; with {', '.join(NAMES)}; made 20") == 2
    found = {each.name: each.content.decode() for each in backup.check(file).files}
    assert found == ALL
    # A copy that is opened as a store, as the folder of another, is copied with that one's files.
    again = tmp_path / "again.sqlite"
    assert (
        main(["backup", "--db", f"sqlite:///{file}", "--data", str(tmp_path), "--to", str(again)])
        == 0
    )
    assert "no calipers.json and no methods of your own" in capsys.readouterr().out


def test_a_name_in_a_copy_leads_out_of_no_folder(shop_folder, tmp_path):
    put_small_files(shop_folder)
    file = tmp_path / "copy.sqlite"
    engine = open_engine(sqlite_url(shop_folder))
    backup.back_up(engine, file, data=shop_folder)
    engine.dispose()
    (tmp_path / "copy.sqlite.sha256").unlink()
    with closing(sqlite3.connect(file)) as made, made:
        for name in (
            "../evil",
            "methods/../../x.toml",
            "/etc/x.toml",
            "methods/a/b.toml",
            "methods/.toml",
            "methods/C:x.toml",
            "bothends.sqlite",
            "calipers.json/x",
        ):
            made.execute("INSERT INTO backup_files VALUES (?, ?)", (name, b"x"))
        made.execute("INSERT INTO backup_files VALUES ('methods/number.toml', 5)")
    assert [each.name for each in backup.check(file).files] == NAMES


def test_a_small_file_that_cannot_be_read_is_named(shop_folder, tmp_path, monkeypatch, capsys):
    put_small_files(shop_folder)
    reading = Path.read_bytes

    def refused(path: Path) -> bytes:
        if path.name == "sled.toml":
            raise PermissionError(13, "Permission denied", str(path))
        return reading(path)

    monkeypatch.setattr(Path, "read_bytes", refused)
    assert main(["backup", "--data", str(shop_folder), "--to", str(tmp_path / "copy.sqlite")]) == 1
    assert "sled.toml cannot be read (Permission denied)" in capsys.readouterr().err
    assert sorted(p.name for p in tmp_path.iterdir()) == ["shop"]


def test_a_backup_that_has_changed_since_is_told(shop_folder, tmp_path, capsys):
    file = tmp_path / "copy.sqlite"
    assert main(["backup", "--data", str(shop_folder), "--to", str(file)]) == 0
    flipped = bytearray(file.read_bytes())
    flipped[len(flipped) // 2] ^= 1
    file.write_bytes(flipped)
    assert main(["backup", "--check", str(file)]) == 1
    assert "not as it was written" in capsys.readouterr().err


def test_a_damaged_copy_is_told_even_without_its_sum(shop_folder, tmp_path):
    file = tmp_path / "copy.sqlite"
    engine = open_engine(sqlite_url(shop_folder))
    backup.back_up(engine, file)
    engine.dispose()
    (tmp_path / "copy.sqlite.sha256").unlink()
    whole = file.read_bytes()
    file.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(StoreError, match=r"damaged|no store that can be read"):
        backup.check(file)
    file.write_bytes(b"no store at all, but long enough to be looked at. " * 100)
    with pytest.raises(StoreError, match="no store that can be read"):
        backup.check(file)


def test_nothing_is_overwritten_and_nothing_half_is_left(shop_folder, tmp_path, capsys):
    file = tmp_path / "copy.sqlite"
    file.write_text("something else")
    assert main(["backup", "--data", str(shop_folder), "--to", str(file)]) == 1
    assert "there already" in capsys.readouterr().err
    assert file.read_text() == "something else"
    away = tmp_path / "no such folder" / "copy.sqlite"
    assert main(["backup", "--data", str(shop_folder), "--to", str(away)]) == 1
    assert "cannot be written" in capsys.readouterr().err
    assert main(["backup", "--data", str(tmp_path / "empty"), "--to", str(tmp_path / "x")]) == 1
    assert "no store at" in capsys.readouterr().err
    assert not (tmp_path / "empty").exists()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["copy.sqlite", "shop"]


def test_postgresql_is_named_its_own_tools_and_they_work(postgres_server, tmp_path, capsys):
    server = postgres_server
    name = server.new_database()
    engine = open_engine(server.url(name))
    migrations.upgrade(engine)
    fill(engine)
    with pytest.raises(SystemExit) as ended:
        main(["backup", "--db", server.url(name), "--to", str(tmp_path / "shop.dump")])
    assert ended.value.code == 2
    said = capsys.readouterr().err
    command = said.split("may go on: ")[1].split("  and restored")[0]
    tool, *words = command.split()
    assert tool == "pg_dump"
    words = [word.strip("'") for word in words]
    subprocess.run([server.bin / tool, *words], check=True)
    restored = server.new_database()
    subprocess.run(
        [server.bin / "pg_restore", f"--dbname={server.url(restored)}", tmp_path / "shop.dump"],
        check=True,
    )
    other = open_engine(server.url(restored))
    assert digests(other) == digests(engine)
    with other.connect() as connection:
        assert list(doctor.findings(connection)) == []
    other.dispose()
    engine.dispose()
