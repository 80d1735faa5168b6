"""A backup takes the place of the store; what was there is put aside, whatever interrupts it."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from api.server import Server
from api.settings import Settings
from api.store import backup, doctor, migrations, restoring
from api.store.engine import StoreError, open_engine, sqlite_file_url, sqlite_url
from api.store.journal import Journal
from api.store.restoring import Restored, restore
from api.store.stamps import new_id
from capture.records import Reading
from tests.api.commands.running import status
from tests.api.small_files import ALL, NAMES, put_small_files, small_files
from tests.api.stores import digests, fill
from tests.forks import forks
from tests.ptys import PATIENCE_S

# A process that can be killed, forked from one that has done the imports.
_FORKS = forks(__name__)
_NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
# Every step of a restore over a store with its log, where both small files differ.
STEPS = [
    "checked",
    "copied",
    "marked",
    "aside bothends.sqlite",
    "aside bothends.sqlite-wal",
    "aside bothends.sqlite-shm",
    "in place",
    "aside calipers.json",
    "calipers.json",
    "aside methods/sled.toml",
    "methods/sled.toml",
]


def _at(url: str) -> dict[str, str]:
    engine = open_engine(url)
    try:
        return digests(engine)
    finally:
        engine.dispose()


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A backup of a filled shop with small files."""
    folder = tmp_path / "earlier"
    put_small_files(folder)
    engine = open_engine(sqlite_url(folder))
    migrations.upgrade(engine)
    fill(engine)
    backup.back_up(engine, tmp_path / "copy.sqlite", data=folder)
    engine.dispose()
    return tmp_path / "copy.sqlite"


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """A shop whose last reading is in the store's log alone, as a killed server leaves it."""
    folder = tmp_path / "shop"
    folder.mkdir()
    assert _in_a_process(press, str(folder)) == -signal.SIGKILL
    assert (folder / "bothends.sqlite-wal").stat().st_size
    put_small_files(folder)
    (folder / "calipers.json").write_text("another")
    (folder / "methods" / "sled.toml").write_text("another")
    (folder / "methods" / "mine.toml").write_text("not in the backup")
    return folder


def press(folder: str) -> None:
    engine = open_engine(sqlite_url(Path(folder)))
    migrations.upgrade(engine)
    Journal(engine).keep(
        [Reading(new_id(), "main", "g", "77.70", "mm", 77_700_000, _NOON + timedelta(days=9))]
    )
    os.kill(os.getpid(), signal.SIGKILL)


def put_back_until(copy: Path, shop: Path, step: str) -> None:
    put_back(copy, shop, lambda at: at == step and os.kill(os.getpid(), signal.SIGKILL))


def _change_and_die(path: Path) -> None:
    opened = sqlite3.connect(path, isolation_level=None)
    opened.execute("PRAGMA cache_size=1")
    opened.execute("BEGIN")
    opened.execute(
        "CREATE TABLE more AS WITH RECURSIVE n(x) AS"
        " (SELECT 1 UNION ALL SELECT x + 1 FROM n LIMIT 100000) SELECT x FROM n"
    )
    os.kill(os.getpid(), signal.SIGKILL)


def _in_a_process(target: Callable[..., None], *args: object) -> int | None:
    """The exit status of a process that runs this."""
    process = _FORKS.Process(target=target, args=args)
    process.start()
    process.join(PATIENCE_S)
    return process.exitcode


def put_back(copy: Path, shop: Path, step=lambda _step: None) -> Restored:
    return restore(copy, shop / "bothends.sqlite", shop, _NOON, step)


def sent(store: Path) -> list[str]:
    """What was read, in the store with its log."""
    with closing(sqlite3.connect(store)) as opened:
        return [row[0] for row in opened.execute("SELECT sent FROM readings")]


def test_what_was_there_is_kept_and_the_backup_is_the_store(copy, shop):
    restored = put_back(copy, shop)
    assert _at(sqlite_url(shop)) == _at(sqlite_file_url(copy))
    assert restored.counts["readings"] == 16
    assert restored.files == NAMES
    assert small_files(shop) == ALL
    (aside,) = restored.aside
    assert aside == shop / "before-restore-2026-03-02-120000"
    # With its log: the last reading was in that alone.
    assert sent(aside / "bothends.sqlite") == ["77.70"]
    assert small_files(aside) == dict.fromkeys(NAMES, "another")
    # What the backup does not hold stays; nothing of the backup's own tables is left.
    assert (shop / "methods" / "mine.toml").exists()
    with closing(sqlite3.connect(shop / "bothends.sqlite")) as opened:
        tables = {name for (name,) in opened.execute("SELECT name FROM sqlite_schema")}
    assert not tables & {"backup_files", "backup_made"}
    assert sorted(p.name for p in shop.iterdir()) == [
        aside.name,
        "bothends.sqlite",
        "bothends.sqlite.lock",
        "calipers.json",
        "methods",
    ]


def test_the_newest_reading_of_it_is_told(copy, shop):
    with closing(sqlite3.connect(copy)) as opened:
        (newest,) = opened.execute("SELECT max(taken_at) FROM readings").fetchone()
    restored = put_back(copy, shop)
    assert restored.newest == datetime.fromisoformat(newest).replace(tzinfo=UTC)


@pytest.mark.parametrize("step", STEPS)
def test_killed_at_any_moment_it_ends_well_when_run_again(copy, shop, step):
    assert _in_a_process(put_back_until, copy, shop, step) == -signal.SIGKILL
    if step in STEPS[:2]:
        # Nothing was touched: the shop goes on.
        with closing(sqlite3.connect(f"file:{shop}/bothends.sqlite?mode=ro", uri=True)) as opened:
            assert opened.execute("SELECT sent FROM readings").fetchall() == [("77.70",)]
    else:
        with pytest.raises(StoreError, match="was interrupted; run it again: bothends restore"):
            Server(Settings(data=shop))
        assert status("doctor", "--data", shop) == 1
    restored = put_back(copy, shop)
    assert _at(sqlite_url(shop)) == _at(sqlite_file_url(copy))
    assert small_files(shop) == ALL
    found = [sent(each / "bothends.sqlite") for each in restored.aside]
    assert ["77.70"] in found
    assert small_files(restored.aside[0]) == dict.fromkeys(NAMES, "another")
    assert not list(shop.glob("*.restoring*"))
    assert not list(shop.glob("*.new"))


@pytest.mark.skipif(
    sys.platform == "win32" or os.geteuid() != 0, reason="only root gives files away"
)
def test_what_root_restores_belongs_to_the_user_whose_store_it_is(copy, shop):
    nobody = 65534
    for path in (shop, *shop.rglob("*")):
        os.chown(path, nobody, nobody)
    restore(copy, shop / "bothends.sqlite", shop, datetime.now(UTC), lambda _step: None)
    shutil.rmtree(shop / "methods")
    restore(copy, shop / "bothends.sqlite", shop, datetime.now(UTC), lambda _step: None)
    names = {str(p.relative_to(shop)) for p in shop.rglob("*") if p.stat().st_uid != nobody}
    assert names == set()
    assert small_files(shop) == ALL


def test_no_server_starts_from_an_interrupted_one_and_from_a_finished_one_it_goes_on(copy, shop):
    put_back(copy, shop)
    (shop / "methods" / "mine.toml").unlink()
    server = Server(Settings(data=shop))
    try:
        assert "sled-turn" in server.methods
        server.journal.add_machine("Another saw", "other")
        with server.reading() as connection:
            assert list(doctor.findings(connection)) == []
        with pytest.raises(StoreError, match="a server has the store"):
            put_back(copy, shop)
    finally:
        server.close()


def test_a_backup_that_is_not_whole_changes_nothing(copy, shop):
    before = {p: p.read_bytes() for p in shop.rglob("*") if p.is_file()}
    flipped = bytearray(copy.read_bytes())
    flipped[len(flipped) // 2] ^= 1
    copy.write_bytes(flipped)
    with pytest.raises(StoreError, match="not as it was written"):
        put_back(copy, shop)
    with pytest.raises(StoreError, match="cannot be read"):
        put_back(shop / "none.sqlite", shop)
    lock = shop / "bothends.sqlite.lock"
    assert {p: p.read_bytes() for p in shop.rglob("*") if p.is_file() and p != lock} == before


def test_a_damaged_store_is_put_aside_as_it_is(copy, shop):
    store = shop / "bothends.sqlite"
    store.write_bytes(b"damaged " * 500)
    (aside,) = put_back(copy, shop).aside
    assert (aside / "bothends.sqlite").read_bytes() == b"damaged " * 500
    assert (aside / "bothends.sqlite-wal").stat().st_size
    assert _at(sqlite_url(shop)) == _at(sqlite_file_url(copy))


def test_what_an_interrupted_one_left_beside_its_copy_is_not_written_into_the_next(copy, shop):
    # A journal that SQLite would play back: of a change of another file of that name.
    new = shop / "bothends.sqlite.new"
    with closing(sqlite3.connect(shop / "bothends.sqlite")) as opened:
        opened.execute("VACUUM INTO ?", (str(new),))
    assert _in_a_process(_change_and_die, new) == -signal.SIGKILL
    assert (shop / "bothends.sqlite.new-journal").stat().st_size
    put_back(copy, shop)
    assert _at(sqlite_url(shop)) == _at(sqlite_file_url(copy))
    assert not list(shop.glob("*-journal"))


def test_into_an_empty_folder_nothing_is_put_aside(copy, tmp_path):
    restored = put_back(copy, tmp_path / "new computer")
    assert restored.aside == []
    assert small_files(tmp_path / "new computer") == ALL
    assert put_back(copy, tmp_path / "new computer").files == []


def test_two_in_one_second_keep_both_stores(copy, shop):
    put_back(copy, shop)
    (aside,) = put_back(copy, shop).aside
    assert aside.name == "before-restore-2026-03-02-120000-2"


def test_what_is_no_finished_copy_is_refused(copy, shop):
    with pytest.raises(StoreError, match="is the store itself"):
        put_back(shop / "bothends.sqlite", shop)
    (aside,) = put_back(copy, shop).aside
    with pytest.raises(StoreError, match=r"no finished copy.*bothends backup --db"):
        put_back(aside / "bothends.sqlite", shop)


def test_a_mark_that_cannot_be_read_is_said_and_nothing_moved(copy, shop):
    (shop / "bothends.sqlite.restoring").write_text("{")
    with pytest.raises(StoreError, match="cannot be read; what was here before"):
        put_back(copy, shop)
    assert (shop / "bothends.sqlite").exists()


@pytest.fixture
def no_room(monkeypatch) -> Iterator[None]:
    def full(_source: Path, target: Path) -> None:
        target.write_bytes(b"half")
        raise OSError(28, "No space left on device", str(target))

    with monkeypatch.context() as patched:
        patched.setattr(restoring.shutil, "copyfile", full)
        yield


@pytest.mark.usefixtures("no_room")
def test_without_room_nothing_is_changed_and_it_is_said(copy, shop):
    with pytest.raises(StoreError, match=r"No space left.*nothing is lost"):
        put_back(copy, shop)
    assert not list(shop.glob("*.new"))
    assert sent(shop / "bothends.sqlite") == ["77.70"]


def test_files_of_it_are_for_the_user_alone(copy, shop):
    before = os.umask(0o022)
    try:
        assert status("restore", copy, "--data", shop) == 0
    finally:
        os.umask(before)
    (aside,) = shop.glob("before-restore-*")
    for path in (aside, *(shop / name for name in ("bothends.sqlite", *NAMES))):
        assert not path.stat().st_mode & 0o077, path
