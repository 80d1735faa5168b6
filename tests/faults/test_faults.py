"""The short run: every fault once, on either store. The long one is `python -m tests.faults`."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.api.postgres import PostgresServer
from tests.faults.driver import play
from tests.faults.script import Script, damaged, damages_of, faults_of, script, tour
from tests.faults.shop import database_server

_SEED = 8017
# It needs the very command, which starts slowly: a round of its own.
_CLOCK = "clock step"
_TOOLS = ("strace", "faketime")

pytestmark = [
    pytest.mark.skipif(sys.platform != "linux", reason="faults are made by means of Linux"),
    pytest.mark.skipif(
        not all(map(shutil.which, _TOOLS)), reason=f"needs {' and '.join(_TOOLS)}: see tests/run"
    ),
    pytest.mark.timeout(600),
]


@pytest.fixture(scope="module")
def database() -> Iterator[PostgresServer]:
    with database_server() as server:
        yield server


def _comes_to_nothing_bad(
    lines: Script, folder: Path, database: PostgresServer | None = None
) -> None:
    played = play(lines, _SEED, folder, database)
    assert not played.tally.breaches, str(played)
    assert played.tally.pressed > played.tally.unheard


def test_no_press_is_lost_doubled_or_unanswered_on_sqlite(tmp_path: Path) -> None:
    faults = [fault for fault in faults_of("sqlite") if fault != _CLOCK]
    _comes_to_nothing_bad(tour(faults, "sqlite", _SEED), tmp_path)


def test_no_press_is_lost_doubled_or_unanswered_on_postgresql(
    tmp_path: Path, database: PostgresServer
) -> None:
    # What does not touch the store is tried on SQLite.
    faults = [f for f in faults_of("postgresql") if any(word in f for word in _OF_THE_STORE)]
    _comes_to_nothing_bad(tour(faults, "postgresql", _SEED), tmp_path, database)


_OF_THE_STORE = ("kill server", "terminate server", "postgres", "store")


def test_no_press_is_lost_where_the_clock_is_set(tmp_path: Path) -> None:
    _comes_to_nothing_bad(tour([_CLOCK], "sqlite", _SEED), tmp_path)


@pytest.mark.parametrize("damage", damages_of("sqlite"))
def test_no_press_is_acknowledged_into_a_damaged_file(damage: str, tmp_path: Path) -> None:
    _comes_to_nothing_bad(damaged(damage, _SEED), tmp_path)


@pytest.mark.parametrize("engine", ["sqlite", "postgresql"])
def test_rounds_go_through_every_fault_and_a_seed_is_always_the_same_round(engine) -> None:
    rounds = [script(engine, seed) for seed in range(40)]
    begun = {line.split(maxsplit=1)[1] for lines in rounds for line in lines if _is_fault(line)}
    assert begun == {*faults_of(engine), *damages_of(engine)}
    assert rounds == [script(engine, seed) for seed in range(40)]
    for lines in rounds:
        ended = [line.removeprefix("end ") for line in lines if line.startswith("end ")]
        began = [line.removeprefix("begin ") for line in lines if line.startswith("begin ")]
        assert sorted(ended) == sorted(began)


def _is_fault(line: str) -> bool:
    return line.startswith(("begin ", "damage "))
