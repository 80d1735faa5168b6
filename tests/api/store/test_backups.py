"""Daily backups: the last good ones stay, whatever clock, disk or another server does."""

from __future__ import annotations

import logging
import os
import signal
import sqlite3
import subprocess
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from api.store import backup, backups, in_use, migrations
from api.store.backups import Copy, DailyBackups, due, late, latest_good, surplus
from api.store.engine import open_engine, sqlite_url
from api.store.journal import Journal
from api.store.stamps import new_id
from capture.records import Reading
from tests import disks
from tests.api.small_files import NAMES, put_small_files
from tests.api.stores import fill
from tests.forks import forks
from tests.ptys import PATIENCE_S, until

_FORKS = forks(__name__)
_NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
_DAY = timedelta(days=1)


class Shop:
    """A store, its backups, and a clock."""

    def __init__(self, data: Path, keep: int = 3) -> None:
        self.data = data
        self.store = data / "bothends.sqlite"
        self.now = _NOON
        self.daily = DailyBackups(self.store, data, keep, lambda: self.now)

    def look(self, moment: datetime | None = None) -> None:
        self.now = moment or self.now
        self.daily.look()

    def press(self, number: int) -> None:
        engine = open_engine(sqlite_url(self.data))
        moment = _NOON + timedelta(minutes=number)
        Journal(engine).keep([Reading(new_id(), "main", "g", f"{number}", "mm", number, moment)])
        engine.dispose()

    @property
    def names(self) -> list[str]:
        return sorted(p.name for p in (self.data / "backups").iterdir())

    @property
    def days(self) -> list[str]:
        """The days in the names of those with their sums, the files made last first."""
        return [copy.day.isoformat()[5:] for copy in backups.copies(self.store)]


@pytest.fixture
def shop(tmp_path: Path, upgraded_file: Path) -> Shop:
    folder = tmp_path / "shop"
    folder.mkdir()
    (folder / "bothends.sqlite").write_bytes(upgraded_file.read_bytes())
    engine = open_engine(sqlite_url(folder))
    migrations.upgrade(engine)
    fill(engine)
    engine.dispose()
    return Shop(folder)


def _copy(number: int, day: str = "2026-03-02") -> Copy:
    return Copy(Path(f"{number}"), date.fromisoformat(day), number, _NOON)


def test_one_is_due_when_the_last_is_of_another_day_before_or_after():
    today = date(2026, 3, 2)
    assert due(None, today)
    assert not due(_copy(1), today)
    assert due(_copy(1, "2026-03-01"), today)
    assert due(_copy(1, "2031-01-01"), today)


def test_those_made_first_go_whatever_their_day():
    good = [_copy(3, "2001-01-01"), _copy(1, "2031-01-01"), _copy(2)]
    assert [copy.number for copy in surplus(good, 2)] == [1]
    assert surplus(good, 3) == []


def test_a_backup_of_two_days_ago_is_late():
    assert not late(None, _NOON)
    assert not late(_NOON - 2 * _DAY, _NOON)
    assert late(_NOON - 2 * _DAY - timedelta(seconds=1), _NOON)


def test_the_last_ones_stay_each_with_its_sum_and_its_small_files(shop):
    put_small_files(shop.data)
    for days in range(5):
        shop.press(days + 1)
        shop.look(_NOON + days * _DAY)
        shop.look()
    files = [f"bothends-2026-03-0{day}.sqlite" for day in (4, 5, 6)]
    assert shop.names == sorted([*files, *(f"{name}.sha256" for name in files)])
    latest = latest_good(shop.data / "bothends.sqlite")
    assert latest == shop.data / "backups" / files[-1]
    found = backup.check(latest)
    assert found.counts["readings"] == 16 + 5
    assert [file.name for file in found.files] == NAMES
    state = shop.daily.state()
    assert (state.made_at, state.file, state.trouble) == (_NOON + 4 * _DAY, files[-1], "")


def test_a_clock_that_jumps_pushes_out_the_oldest_and_the_last_made_is_the_latest(shop):
    for moment in (_NOON, _NOON + 4000 * _DAY, _NOON + _DAY, _NOON - 9000 * _DAY):
        shop.look(moment)
    assert [copy.number for copy in backups.copies(shop.store)] == [4, 3, 2]
    assert backups.copies(shop.store)[0].made_at == _NOON - 9000 * _DAY
    # Set back to a day that has a backup: that one is made anew.
    shop.press(1)
    shop.look(_NOON + _DAY)
    latest = latest_good(shop.data / "bothends.sqlite")
    assert latest is not None
    assert latest.name == "bothends-2026-03-03.sqlite"
    assert backup.check(latest).counts["readings"] == 17


def test_a_damaged_backup_is_no_latest_and_pushes_out_no_good_one(shop):
    for days in range(3):
        shop.look(_NOON + days * _DAY)
    damaged = shop.data / "backups" / "bothends-2026-03-04.sqlite"
    damaged.write_bytes(damaged.read_bytes()[:-1] + b"!")
    latest = latest_good(shop.data / "bothends.sqlite")
    assert latest is not None
    assert latest.name == "bothends-2026-03-03.sqlite"
    # Of the same day: it is made again in its place.
    shop.look()
    assert latest_good(shop.data / "bothends.sqlite") == damaged
    damaged.write_bytes(damaged.read_bytes()[:-1] + b"!")
    shop.look(_NOON + 3 * _DAY)
    assert shop.days == ["03-05", "03-04", "03-03", "03-02"]
    backup.sum_file(shop.data / "backups" / "bothends-2026-03-05.sqlite").unlink()
    assert str(latest_good(shop.data / "bothends.sqlite")).endswith("bothends-2026-03-03.sqlite")


def test_one_that_was_damaged_unnoticed_pushes_out_no_good_one(shop):
    for days in range(3):
        shop.look(_NOON + days * _DAY)
    damaged = shop.data / "backups" / "bothends-2026-03-04.sqlite"
    before = damaged.stat()
    damaged.write_bytes(damaged.read_bytes()[:-1] + b"!")
    os.utime(damaged, ns=(before.st_atime_ns, before.st_mtime_ns))
    shop.look(_NOON + 3 * _DAY)
    assert shop.days == ["03-05", "03-04", "03-03", "03-02"]


def test_where_there_is_none_there_is_no_latest(shop, tmp_path):
    assert latest_good(tmp_path / "nowhere" / "bothends.sqlite") is None
    (shop.data / "backups").mkdir()
    for name in ("holiday.jpg", "bothends-2026-13-45.sqlite", "bothends-2026-03-02.sqlite"):
        (shop.data / "backups" / name).write_bytes(b"no store")
    assert latest_good(shop.data / "bothends.sqlite") is None


def test_a_damaged_store_is_said_and_its_earlier_backups_stay(shop, caplog):
    shop.look()
    good = shop.names
    with closing(sqlite3.connect(shop.store)) as opened:
        opened.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    whole = shop.store.read_bytes()
    half = len(whole) // 2
    shop.store.write_bytes(whole[:half] + b"\xff" * 4096 + whole[half + 4096 :])
    for days in (1, 2):
        shop.look(_NOON + days * _DAY)
    state = shop.daily.state()
    assert "damaged" in state.trouble
    assert state.trouble.startswith("The last try to make a backup failed, and it is tried again")
    assert (state.made_at, shop.names) == (_NOON, good)
    # Once in the log, not at each try.
    assert [r.levelno for r in caplog.records] == [logging.WARNING]
    shop.store.write_bytes(whole)
    shop.look()
    assert shop.daily.state().trouble == ""


def test_a_late_backup_is_said_with_what_to_do(shop):
    shop.look()
    shop.now += 3 * _DAY
    assert shop.daily.state().trouble.startswith("It is more than 2 days old. Make one now")
    shop.look()
    assert shop.daily.state().trouble == ""


def test_a_store_that_was_taken_away_is_said(shop):
    away = shop.store.rename(shop.data / "away")
    shop.look()
    assert "was taken away; put it back" in shop.daily.state().trouble
    assert shop.daily.state().made_at is None
    away.rename(shop.store)
    shop.look()
    assert shop.days == ["03-02"]


def test_two_servers_make_one_between_them(shop):
    with in_use.as_copyist(shop.store) as mine:
        assert mine
        shop.look()
        assert shop.daily.state() == backups.BackupState()
    other = Shop(shop.data)
    other.look()
    before = (shop.data / "backups" / "bothends-2026-03-02.sqlite").stat()
    shop.look()
    assert (shop.data / "backups" / "bothends-2026-03-02.sqlite").stat() == before
    assert shop.daily.state() == other.daily.state()


def test_one_that_another_server_makes_just_now_is_not_made_again(shop, monkeypatch):
    shop.look()
    other, real = Shop(shop.data), in_use.as_copyist

    @contextmanager
    def after_the_other(store: Path) -> Iterator[bool]:
        monkeypatch.setattr(in_use, "as_copyist", real)
        other.look(_NOON + _DAY)
        with real(store) as mine:
            yield mine

    monkeypatch.setattr(in_use, "as_copyist", after_the_other)
    shop.look(_NOON + _DAY)
    assert [copy.number for copy in backups.copies(shop.store)] == [2, 1]
    assert shop.daily.state() == other.daily.state()


def kill_during_a_copy(data: Path, at: str) -> None:
    """Ends this process in the midst of a backup."""
    shop = Shop(data)
    if at == "copying":
        shop.daily._pause = _killed  # type: ignore[method-assign]
    elif at == "checking":
        backup.check = _killed  # type: ignore[assignment]
    else:
        named = backup.sum_file
        day = "bothends-2026-03-03.sqlite"
        backup.sum_file = lambda path: (
            _killed() if path.name == day and path.exists() else named(path)
        )
    shop.look(_NOON + _DAY)


def _killed(*_words: object) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


@pytest.mark.parametrize("at", ["copying", "checking", "before its sum"])
def test_killed_at_any_moment_the_good_ones_stay_and_nothing_half_is_left(shop, at):
    shop.look()
    process = _FORKS.Process(target=kill_during_a_copy, args=(shop.data, at))
    process.start()
    process.join(PATIENCE_S)
    assert process.exitcode == -signal.SIGKILL
    assert len(shop.names) > 2
    assert (
        latest_good(shop.data / "bothends.sqlite")
        == shop.data / "backups" / "bothends-2026-03-02.sqlite"
    )
    shop.look(_NOON + _DAY)
    files = [f"bothends-2026-03-0{day}.sqlite" for day in (2, 3)]
    assert shop.names == sorted([*files, *(f"{name}.sha256" for name in files)])
    assert latest_good(shop.data / "bothends.sqlite") == shop.data / "backups" / files[1]


def test_a_copy_under_way_ends_with_the_program(shop, monkeypatch):
    monkeypatch.setattr(backups, "_FIRST_LOOK_S", 0.0)
    monkeypatch.setattr(backups, "_PAUSE_S", PATIENCE_S)
    shop.daily.start()
    assert until(lambda: (shop.data / "backups").exists())
    shop.daily.close()
    assert not shop.daily._thread.is_alive()
    assert shop.names == []
    assert shop.daily.state() == backups.BackupState()


def test_a_fault_of_the_program_itself_is_said_and_tried_again(shop, monkeypatch, caplog):
    monkeypatch.setattr(backups, "_FIRST_LOOK_S", 0.0)
    monkeypatch.setattr(backups, "_LOOK_AGAIN_S", 0.01)
    with monkeypatch.context() as patched:
        patched.setattr(backups, "copies", lambda *_words: 1 / 0)
        shop.daily.start()
        assert until(lambda: "see the program's log" in shop.daily.state().trouble)
    assert until(lambda: shop.daily.state().trouble == "" and shop.daily.state().file)
    shop.daily.close()
    assert "ZeroDivisionError" in caplog.text


@pytest.fixture
def disk(shop: Shop) -> Iterator[Path]:
    """A disk of a few megabytes as the folder of the backups."""
    with disks.small_disk(shop.data / "backups") as disk:
        yield disk


@pytest.mark.usefixtures("disk")
def test_a_disk_without_room_is_left_to_the_readings(shop):
    shop.look()
    trouble = shop.daily.state().trouble
    assert "there is no room for a backup in" in trouble
    assert "make room on that disk" in trouble
    assert shop.names == []


def test_a_disk_that_becomes_full_during_a_copy_is_said_and_the_rest_taken_away(
    shop, disk, monkeypatch
):
    monkeypatch.setattr(backups, "_RESERVE_BYTES", -(10**9))
    shop.look()
    disks.fill(disk / "photographs")
    for days in (1, 2):
        shop.look(_NOON + days * _DAY)
    assert "make room, and see to the rights" in shop.daily.state().trouble
    assert shop.daily.state().made_at == _NOON
    assert not [name for name in shop.names if ".part" in name]
    (disk / "photographs").unlink()
    shop.look()
    assert shop.daily.state() == backups.BackupState(
        _NOON + 2 * _DAY, "bothends-2026-03-04.sqlite", ""
    )


def test_a_folder_that_may_not_be_written_is_said(shop, disk, monkeypatch):
    monkeypatch.setattr(backups, "_RESERVE_BYTES", 0)
    subprocess.run(["mount", "-o", "remount,ro", disk], check=True)
    shop.look()
    assert "cannot be written" in shop.daily.state().trouble
    subprocess.run(["mount", "-o", "remount,rw", disk], check=True)


def test_a_file_in_the_place_of_the_folder_is_said(shop):
    (shop.data / "backups").write_text("no folder")
    shop.look()
    assert "cannot be used" in shop.daily.state().trouble
    assert latest_good(shop.data / "bothends.sqlite") is None
