"""Of a damaged store everything is copied that stands on whole pages, and the rest is said."""

from __future__ import annotations

import random
import re
import shlex
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from api.cli import main
from api.store import doctor, migrations
from api.store.authors import Author
from api.store.engine import StoreError, open_engine, sqlite_file_url
from api.store.journal import Journal
from api.store.pages import Pages
from api.store.salvage import Salvaged, salvage
from tests.api.damage import PAGE, number_of_pages, overwrite, small_store
from tests.api.entries import new_series, reading
from tests.api.stores import STORES, digests, fill


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store whose readings fill several pages, below a page that leads to them."""
    return small_store(tmp_path_factory.mktemp("whole") / "bothends.sqlite")


def _readings(path: Path) -> dict[str, tuple[object, ...]]:
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro&immutable=1", uri=True)) as store:
        rows = store.execute(
            "SELECT r.id, bench_id, seq, caliper_id, sent, unit, nm, taken_at, kept_at, origin,"
            " since_previous_ms, late, b.name, c.name"
            " FROM readings r JOIN benches b ON b.id = r.bench_id"
            " JOIN calipers c ON c.id = r.caliper_id"
        )
        return {row[0]: row for row in rows}


def _readings_by_page(path: Path) -> dict[int, set[str]]:
    """The ids of the readings on each page of the whole store."""
    with closing(Pages(path)) as pages:
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as store:
            (root,) = store.execute(
                "SELECT rootpage FROM sqlite_master WHERE name = 'readings'"
            ).fetchone()
        return {
            leaf: {str(row[1][0]) for row in pages.rows(leaf) if row is not None}
            for leaf in pages.leaves(root)[0]
        }


def _damaged(whole: Path, to: Path, pages: set[int], seed: int) -> Path:
    shutil.copy(whole, to)
    overwrite(to, pages, seed)
    return to


def _findings(path: Path) -> list[str]:
    engine = open_engine(sqlite_file_url(path))
    try:
        with engine.connect() as connection:
            return [f.sentence for f in doctor.findings(connection)]
    finally:
        engine.dispose()


def _is_sound(path: Path, done: Salvaged) -> None:
    """The new store is in order, but for what its report says is lost."""
    # The trail of what is lost is kept as far as it is there.
    in_trail = ("the log has no such act", "which is not there")
    lost = ("some are missing", "is not in the log", *in_trail)
    for finding in _findings(path):
        assert any(each in finding for each in lost), finding
        assert done.follows, finding


def test_a_whole_store_is_copied_whole(whole: Path, tmp_path: Path) -> None:
    before = whole.read_bytes()
    done = salvage(whole, tmp_path / "new.sqlite")
    assert (done.follows, done.unreadable_pages) == ([], 0)
    assert not any(done.lost.values())
    assert _findings(tmp_path / "new.sqlite") == []
    assert whole.read_bytes() == before
    files = (whole, tmp_path / "new.sqlite")
    old, new = (open_engine(sqlite_file_url(path, read_only=True)) for path in files)
    was, now = digests(old), digests(new)
    del was["events"], now["events"]  # those of trials are written anew
    assert now == was
    old.dispose()
    new.dispose()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["new.sqlite"]


@pytest.mark.parametrize("part", range(8))
def test_every_page_in_turn_costs_no_reading_of_another_page(
    whole: Path, tmp_path: Path, part: int
) -> None:
    """Two far from each other at a time; the first, which tells what is where, by itself."""
    everything = _readings(whole)
    by_page = _readings_by_page(whole)
    assert len(by_page) >= 3
    assert set().union(*by_page.values()) == everything.keys()
    rest = list(range(2, number_of_pages(whole) + 1))
    half = -(-len(rest) // 2)
    together = [
        {1},
        *({page, *rest[at + half : at + half + 1]} for at, page in enumerate(rest[:half])),
    ]
    assert set().union(*together) == {1, *rest}
    for pages in together[part::8]:
        damaged = _damaged(whole, tmp_path / "damaged.sqlite", pages, seed=min(pages))
        before = damaged.read_bytes()
        new = tmp_path / f"new-{min(pages)}.sqlite"
        done = salvage(damaged, new)
        assert damaged.read_bytes() == before
        copied = _readings(new)
        lost = set().union(*(by_page.get(page, set()) for page in pages))
        assert copied.keys() == everything.keys() - lost, pages
        # All but the numbers of bench and caliper, and the names where they were on that page.
        for key, row in copied.items():
            assert row[:-2] == everything[key][:-2], pages
        assert done.copied["readings"] == len(everything) - len(lost)
        if lost:
            assert done.lost["readings"] or done.follows, pages
        _is_sound(new, done)
        new.unlink()


# Where chance takes 2, nothing is left.
@pytest.mark.parametrize("seed", [0, 1, 3, 4, 5, 6])
def test_a_store_cut_off_or_overwritten_anywhere_gives_what_is_left(
    whole: Path, tmp_path: Path, seed: int
) -> None:
    chance = random.Random(seed)
    by_page = _readings_by_page(whole)
    count = number_of_pages(whole)
    damaged = tmp_path / "damaged.sqlite"
    overwritten = set(chance.sample(range(1, count + 1), 5))
    _damaged(whole, damaged, overwritten, seed)
    left = damaged.read_bytes()[: chance.randrange(count // 2 * PAGE, count * PAGE)]
    damaged.write_bytes(left)
    gone = overwritten | set(range(len(left) // PAGE + 1, count + 1))
    expected = {key for page, keys in by_page.items() if page not in gone for key in keys}
    done = salvage(damaged, tmp_path / "new.sqlite")
    assert _readings(tmp_path / "new.sqlite").keys() == expected
    _is_sound(tmp_path / "new.sqlite", done)


def test_what_is_only_in_the_log_is_copied_too(tmp_path: Path) -> None:
    path = tmp_path / "bothends.sqlite"
    engine = open_engine(sqlite_file_url(path))
    migrations.upgrade(engine)
    fill(engine)
    killed = tmp_path / "killed.sqlite"
    for suffix in ("", "-wal"):
        shutil.copy(f"{path}{suffix}", f"{killed}{suffix}")
    # The last transaction was cut off.
    log = Path(f"{killed}-wal")
    log.write_bytes(log.read_bytes() + b"\0" * 100)
    engine.dispose()
    salvage(killed, tmp_path / "new.sqlite")
    assert _readings(tmp_path / "new.sqlite") == _readings(path)


@pytest.mark.parametrize("left", ["nothing", "an empty file"])
def test_what_the_log_holds_is_copied_though_its_file_is_gone(tmp_path: Path, left: str) -> None:
    path = tmp_path / "bothends.sqlite"
    engine = open_engine(sqlite_file_url(path))
    migrations.upgrade(engine)
    fill(engine)
    gone = tmp_path / "gone.sqlite"
    shutil.copy(f"{path}-wal", f"{gone}-wal")
    engine.dispose()
    if left == "an empty file":
        gone.touch()
    assert main(["doctor", "--db", sqlite_file_url(gone), "--salvage", str(tmp_path / "new")]) == 0
    assert _readings(tmp_path / "new") == _readings(path)


@pytest.mark.parametrize("stored", STORES, ids=lambda path: path.stem)
def test_a_store_of_each_step_comes_out_at_the_present_one(stored: Path, tmp_path: Path) -> None:
    salvage(stored, tmp_path / "new.sqlite")
    assert _readings(tmp_path / "new.sqlite") == _readings(stored)
    assert _findings(tmp_path / "new.sqlite") == []
    assert [p.name for p in tmp_path.iterdir()] == ["new.sqlite"]


def test_what_somebody_did_whose_name_is_lost_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "bothends.sqlite"
    engine = open_engine(sqlite_file_url(path))
    migrations.upgrade(engine)
    journal, ada = Journal(engine), Author("Ada", "phone")
    journal.start(new_series(journal.add_machine("Saw", "other", ada)), by=ada)
    journal.keep([reading("12.30")], by=Author(through="phone"))
    engine.dispose()
    with closing(sqlite3.connect(path)) as store, store:
        store.execute("DELETE FROM people")
    salvage(path, tmp_path / "new.sqlite")
    assert _readings(tmp_path / "new.sqlite") == _readings(path) != {}
    assert _findings(tmp_path / "new.sqlite") == []
    with closing(sqlite3.connect(tmp_path / "new.sqlite")) as store:
        for table in ("machines", "acts", "readings"):
            assert store.execute(f"SELECT DISTINCT pass_id FROM {table}").fetchall() == [(None,)]


def test_readings_after_a_lost_one_are_in_no_wrong_place(whole: Path, tmp_path: Path) -> None:
    by_page = _readings_by_page(whole)
    page = sorted(by_page)[1]
    damaged = _damaged(whole, tmp_path / "damaged.sqlite", {page}, seed=1)
    salvage(damaged, tmp_path / "new.sqlite")

    def places(path: Path) -> dict[str, tuple[int, int]]:
        with closing(sqlite3.connect(path)) as store:
            return {
                reading: (number, slot)
                for reading, number, slot in store.execute(
                    "SELECT reading_id, number, slot FROM trial_readings"
                    " JOIN trials ON id = trial_id"
                )
            }

    before, after = places(whole), places(tmp_path / "new.sqlite")
    assert 0 < len(after) < len(before)
    assert after.items() <= before.items()


def test_a_pull_goes_on_after_a_salvage(whole: Path, tmp_path: Path) -> None:
    """Every reading has its event, also where the page of its own event was lost."""
    with closing(Pages(whole)) as pages, closing(sqlite3.connect(whole)) as store:
        (root,) = store.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = 'events'"
        ).fetchone()
        leaves = pages.leaves(root)[0]
    damaged = _damaged(whole, tmp_path / "damaged.sqlite", {leaves[1]}, seed=2)
    done = salvage(damaged, tmp_path / "new.sqlite")
    assert done.lost["events"] > 0
    assert _findings(tmp_path / "new.sqlite") == []


def test_nothing_is_written_over(whole: Path, tmp_path: Path) -> None:
    (tmp_path / "new.sqlite").write_text("mine")
    with pytest.raises(StoreError, match="there already"):
        salvage(whole, tmp_path / "new.sqlite")
    assert (tmp_path / "new.sqlite").read_text() == "mine"


def test_what_holds_nothing_of_a_store_gives_none(tmp_path: Path) -> None:
    (tmp_path / "noise.sqlite").write_bytes(random.Random(7).randbytes(20 * PAGE))
    with pytest.raises(StoreError, match="nothing of a store"):
        salvage(tmp_path / "noise.sqlite", tmp_path / "new.sqlite")
    with pytest.raises(StoreError, match="cannot be copied"):
        salvage(tmp_path / "none.sqlite", tmp_path / "new.sqlite")
    assert [p.name for p in tmp_path.iterdir()] == ["noise.sqlite"]


@pytest.fixture
def folder(whole: Path, tmp_path: Path) -> Iterator[Path]:
    data = tmp_path / "data"
    data.mkdir()
    _damaged(whole, data / "bothends.sqlite", {sorted(_readings_by_page(whole))[1]}, seed=3)
    return data


def test_the_command_says_what_is_lost_and_what_to_do(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    new = tmp_path / "new.sqlite"
    assert main(["doctor", "--data", str(folder), "--salvage", str(new)]) == 0
    said = capsys.readouterr().out
    assert "readings" in said.splitlines()[0]
    assert said.splitlines()[1].startswith("lost: ")
    assert "bench main: numbers" in said
    assert new.stat().st_mode & 0o077 == 0
    (command,) = re.findall("bothends (restore .*), then", said)
    assert main(shlex.split(command)) == 0
    assert _readings(folder / "bothends.sqlite") == _readings(new)


def test_postgresql_is_named_its_own_tools(capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("psycopg")
    url = "postgresql://shop@db.local/shop"
    assert main(["doctor", "--db", url, "--salvage", "new.sqlite"]) == 1
    assert "pg_dump" in capsys.readouterr().err
    assert not Path("new.sqlite").exists()
