"""`bothends move` copies a whole store, and says what it moved or why not."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from sqlalchemy import Engine

from api.store.engine import open_engine, sqlite_file_url
from tests.api.commands.running import status
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
def move(monkeypatch) -> Callable[..., int]:
    """Runs the command. The engines that it leaves to the end of the program are closed."""
    opened: list[Engine] = []

    def open_recorded(url: str) -> Engine:
        opened.append(open_engine(url))
        return opened[-1]

    def run(*words: str) -> int:
        with monkeypatch.context() as patched:
            patched.setattr("api.store.engine.open_engine", open_recorded)
            code = status("move", *words)
        while opened:
            opened.pop().dispose()
        return code

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
