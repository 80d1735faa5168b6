"""`bothends move` copies a whole store, and says what it moved or why not."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from api.store.engine import open_engine, sqlite_file_url
from tests.api.commands.running import status
from tests.api.conftest import ON_SQLITE
from tests.api.small_files import ALL, NAMES, put_small_files, small_files
from tests.api.stores import digests, fill


@pytest.fixture(params=["sqlite", "postgresql"])
def target(request: pytest.FixtureRequest, tmp_path) -> Iterator[str]:
    """The URL of an empty database."""
    if request.param == "sqlite":
        yield sqlite_file_url(tmp_path / "target.sqlite")
        return
    server = request.getfixturevalue("postgres_server")
    name = server.new_database()
    yield server.url(name)
    server.drop_database(name)


@pytest.fixture
def move(monkeypatch, tmp_path) -> Callable[..., int]:
    """Runs the command, with a folder for user data that holds nothing."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "own"))

    def run(*words: str) -> int:
        return status("move", *words)

    return run


def at(url: str) -> dict:
    engine = open_engine(url)
    try:
        return digests(engine)
    finally:
        engine.dispose()


def test_what_was_moved_is_counted_and_a_second_time_refused(
    move, store_url, engine, target, capsys
):
    fill(engine)
    assert move("--from", store_url, "--to", target) == 0
    said = capsys.readouterr()
    assert said.err == ""
    assert said.out.startswith("moved: ")
    assert {"16 readings", "2 machines"} <= set(said.out.removeprefix("moved: ").split(", "))
    assert at(target) == digests(engine)
    assert move("--from", store_url, "--to", target) == 1
    assert "holds a store already" in capsys.readouterr().err


def test_remembered_calipers_and_own_methods_go_along(
    move, store_url, engine, target, tmp_path, capsys
):
    fill(engine)
    source, into = tmp_path / "data", tmp_path / "new"
    source.mkdir(exist_ok=True)
    put_small_files(source)
    words = ["--from", store_url, "--to", target]
    if engine.dialect.name != "sqlite":
        words += ["--from-data", str(source)]  # beside an SQLite file they are found
    assert move(*words, "--to-data", str(into)) == 0
    assert f"and into {into}: {', '.join(NAMES)}" in capsys.readouterr().out
    assert small_files(into) == ALL


@ON_SQLITE
def test_a_small_file_that_is_there_already_is_left_and_said(
    move, store_url, target, tmp_path, capsys
):
    source, into = tmp_path / "source", tmp_path / "new"
    put_small_files(source)
    put_small_files(into)
    (into / "calipers.json").write_text("another computer's")
    words = ["--from", store_url, "--from-data", str(source), "--to-data", str(into)]
    assert move(*words, "--to", target) == 0
    said = capsys.readouterr().out
    assert "others of the same name are: calipers.json; compare" in said
    assert "and into" not in said
    assert small_files(into)["calipers.json"] == "another computer's"


@ON_SQLITE
def test_where_the_small_files_cannot_be_written_the_move_goes_on_later(
    move, store_url, engine, target, tmp_path, capsys
):
    fill(engine)
    put_small_files(tmp_path / "source")
    (tmp_path / "new").write_text("no folder")
    words = ["--from", store_url, "--to", target, "--from-data", str(tmp_path / "source")]
    words += ["--to-data", str(tmp_path / "new")]
    assert move(*words) == 1
    assert "run the same again" in capsys.readouterr().err
    (tmp_path / "new").unlink()
    assert move(*words) == 0
    assert small_files(tmp_path / "new") == ALL


def test_an_empty_store_moves_no_rows(move, store_url, target, capsys):
    assert move("--from", store_url, "--to", target) == 0
    assert capsys.readouterr().out == "moved: no rows\n"


def test_the_urls_may_be_in_files(move, store_url, tmp_path):
    target = sqlite_file_url(tmp_path / "other.sqlite")
    (tmp_path / "from").write_text(f"{store_url}\n")
    (tmp_path / "to").write_text(f"{target}\n")
    assert move("--from", f"@{tmp_path}/from", "--to", f"@{tmp_path}/to") == 0
    assert at(target) == at(store_url)


def test_a_source_that_is_not_there_makes_no_target(move, tmp_path, capsys):
    source, target = (sqlite_file_url(tmp_path / f"{name}.sqlite") for name in ("a", "b"))
    assert move("--from", source, "--to", target) == 1
    assert "there is no store at" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("words", [[], ["--from", "sqlite://"], ["--to", "sqlite://"]])
def test_both_ends_must_be_named(move, words, capsys):
    assert move(*words) == 2
    assert "required" in capsys.readouterr().err
