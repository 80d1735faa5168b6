"""Which store a command means, and what it shows while it works on it."""

from __future__ import annotations

import argparse
import os
import sys
from contextlib import suppress
from pathlib import Path

import pytest

from api.commands.stores import (
    add_store_options,
    data_folder,
    failed,
    named_store,
    open_existing,
    progress,
    store_url,
)
from api.store.engine import StoreError, sqlite_file_url, sqlite_url
from tests.api.commands.running import status


def asked(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    add_store_options(parser)
    return parser.parse_args(words)


def test_a_store_is_named_by_an_option_the_environment_a_file_or_is_in_the_own_folder(
    own_folder, monkeypatch
):
    assert store_url(asked()) == sqlite_url(own_folder)
    (own_folder / "bothends.toml").write_text('db = "sqlite:////in-file.sqlite"')
    assert store_url(asked()) == "sqlite:////in-file.sqlite"
    monkeypatch.setenv("BOTHENDS_DATA", "/said")
    assert store_url(asked()) == sqlite_url(Path("/said"))
    assert data_folder(asked()) == Path("/said")
    monkeypatch.setenv("BOTHENDS_DB", "sqlite:////elsewhere.sqlite")
    assert store_url(asked()) == "sqlite:////elsewhere.sqlite"
    assert store_url(asked("--data", "/shop")) == sqlite_url(Path("/shop"))
    assert store_url(asked("--db", "sqlite:////named.sqlite")) == "sqlite:////named.sqlite"


def test_a_folder_alone_names_no_database():
    assert named_store(None) is None
    assert named_store(None, Path("/shop")) is None
    assert named_store("sqlite://", Path("/shop")) == "sqlite://"


def test_a_url_may_be_in_a_file(tmp_path, capsys):
    (tmp_path / "url").write_text("postgresql://db.example/shop\n")
    assert named_store(f"@{tmp_path}/url") == "postgresql://db.example/shop"
    (tmp_path / "url").write_text("one\ntwo\n")
    for name in ("url", "missing"):
        with pytest.raises(SystemExit) as ended:
            named_store(f"@{tmp_path}/{name}")
        assert ended.value.code == 2
        said = capsys.readouterr().err
        assert said.startswith("bothends: ")
        assert f"{tmp_path}/{name}" in said
        assert said.count("\n") == 1


def test_a_store_that_is_there_is_opened(store_url):
    engine = open_existing(store_url)
    with engine.connect() as store:
        assert store.exec_driver_sql("SELECT count(*) FROM machines").scalar() == 0
    engine.dispose()


def test_where_no_store_is_none_is_made(tmp_path):
    with pytest.raises(StoreError, match=r"no store at .*nothing\.sqlite; give its folder"):
        open_existing(sqlite_file_url(tmp_path / "nothing.sqlite"))
    assert list(tmp_path.iterdir()) == []


def test_a_failure_is_one_sentence_on_the_error_stream(capsys):
    assert failed(StoreError("the disk is full")) == 1
    assert capsys.readouterr() == ("", "bothends: the disk is full\n")


def test_no_progress_is_shown_where_there_is_no_terminal(capsys):
    with progress() as show:
        show(1, 2, "readings")
    assert capsys.readouterr() == ("", "")


def test_at_a_terminal_progress_is_one_line_that_is_gone_at_the_end(monkeypatch):
    person, terminal = os.openpty()
    with open(terminal, "w") as shown, open(person, "rb", buffering=0) as sees:
        monkeypatch.setattr(sys, "stderr", shown)
        with suppress(KeyboardInterrupt), progress() as show:
            show(1, 2, "readings")
            show(1, 2, "readings")
            show(11, 10, "readings")
            show(3, 0, "3 MB")
            raise KeyboardInterrupt
        monkeypatch.undo()
        said = b""
        while not said.endswith(b"\r\x1b[K"):
            said += sees.read(1000)
        assert said.decode() == (
            f"\r[{'#' * 15}{'.' * 15}]  50% readings\x1b[K"
            f"\r[{'#' * 30}] 100% readings\x1b[K"
            "\r3 MB\x1b[K"
            "\r\x1b[K"
        )


@pytest.mark.parametrize("name", ["", ".", "/"])
@pytest.mark.parametrize(
    "words", [["restore"], ["backup", "--to"], ["backup", "--check"], ["doctor", "--salvage"]]
)
def test_what_names_no_file_is_refused_in_a_sentence(tmp_path, capsys, words, name):
    assert status(*words, name, "--data", tmp_path) == 2
    said = capsys.readouterr().err
    assert f"{name!r} is not the name of a file" in said
    assert len(said.splitlines()) == 1
