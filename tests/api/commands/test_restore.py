"""`bothends restore` says what came back, where the rest is, or why nothing was changed."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from api.store import backup, migrations
from api.store.engine import open_engine, sqlite_url
from tests.api.commands.running import status
from tests.api.small_files import put_small_files, small_files
from tests.api.stores import fill


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    folder = tmp_path / "shop"
    put_small_files(folder)
    engine = open_engine(sqlite_url(folder))
    migrations.upgrade(engine)
    fill(engine)
    (folder / "backups").mkdir()
    backup.back_up(engine, folder / "backups" / "bothends-2026-03-01.sqlite", data=folder)
    engine.dispose()
    return folder


def test_it_says_what_came_back_and_what_to_do_next(shop, capsys):
    shutil.rmtree(shop / "methods")
    assert status("restore", "latest", "--data", shop) == 0
    said = capsys.readouterr().out
    (aside,) = shop.glob("before-restore-*")
    assert f"bothends-2026-03-01.sqlite is now the store {shop / 'bothends.sqlite'}: " in said
    assert "16 readings" in said
    assert "its newest reading is of 2026-" in said
    assert "and it brought back methods/sled.toml\n" in said
    assert f"what was here before is kept in {aside}" in said
    assert said.endswith("now start bothends serve\n")


def test_a_store_elsewhere_has_its_backups_beside_it_and_its_small_files_in_the_data_folder(
    shop, tmp_path, capsys
):
    (shop / "bothends.sqlite").rename(shop / "ours.sqlite")
    assert status("restore", "latest", "--db", f"sqlite:///{shop}/ours.sqlite") == 1
    # Backups of another store in that folder are no backups of this one.
    assert "no good backup of ours.sqlite" in capsys.readouterr().err
    file = shop / "backups" / "bothends-2026-03-01.sqlite"
    words = ["--db", f"sqlite:///{shop}/ours.sqlite", "--data", tmp_path / "own"]
    assert status("restore", file, *words) == 0
    assert len(small_files(tmp_path / "own")) == 2
    assert (shop / "ours.sqlite").exists()


def test_without_a_good_backup_nothing_is_changed(shop, capsys):
    (shop / "backups" / "bothends-2026-03-01.sqlite.sha256").write_text("0\n")
    assert status("restore", "latest", "--data", shop) == 1
    assert "there is no good backup" in capsys.readouterr().err
    assert status("restore", shop / "calipers.json", "--data", shop) == 1
    assert "no store that can be read" in capsys.readouterr().err
    assert not list(shop.glob("before-restore-*"))


def test_postgresql_is_named_its_own_tool(capsys):
    assert status("restore", "latest", "--db", "postgresql://db.example/shop") == 2
    assert "pg_restore" in capsys.readouterr().err
