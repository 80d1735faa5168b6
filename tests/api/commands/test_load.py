"""A notebook is loaded once, and what cannot be loaded is said by its line."""

from __future__ import annotations

from pathlib import Path

import pytest
from sqlalchemy import func, select

from api.answers import notebook
from api.store.engine import open_engine, sqlite_file_url
from api.store.tables import Reading, Trial
from tests.api.commands.running import status

NOTEBOOK = Path(__file__).parents[3] / "fixtures" / "notebook"
NO_COLUMNS = "Date,Fence end,Open end,Cut length\n2024-05-03,12.30,12.40,200\n"


def counts(url: str) -> tuple[int, int]:
    """The trials and readings in a store."""
    engine = open_engine(url)
    try:
        with engine.connect() as store:
            trials, readings = (
                store.scalar(select(func.count()).select_from(table)) for table in (Trial, Reading)
            )
    finally:
        engine.dispose()
    return trials, readings


def test_a_page_is_loaded_once_and_only_when_it_is_meant(store_url, capsys):
    page = NOTEBOOK / "inches.csv"
    assert status("load", page, "--db", store_url, "--dry-run") == 0
    assert capsys.readouterr().out == (
        "5 trials (10 readings) would be loaded, 0 known already, 0 lines refused\n"
    )
    assert counts(store_url) == (0, 0)
    for loaded, known in (("5 trials (10 readings)", 0), ("0 trials (0 readings)", 5)):
        assert status("load", page, "--db", store_url) == 0
        assert capsys.readouterr().out == (
            f"{loaded} loaded, {known} known already, 0 lines refused\n"
        )
        assert counts(store_url) == (5, 10)


def test_a_refused_line_stops_the_others_only_where_asked(store_url, capsys):
    page = NOTEBOOK / "faulty.csv"
    assert status("load", page, "--db", store_url, "--strict") == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.splitlines()[-1] == "bothends: 11 lines refused, so nothing was loaded"
    assert counts(store_url) == (0, 0)
    assert status("load", page, "--db", store_url) == 0
    said = capsys.readouterr()
    assert said.out == "2 trials (4 readings) loaded, 0 known already, 11 lines refused\n"
    assert [line.partition(":")[0] for line in said.err.splitlines()][:2] == ["line 3", "line 4"]
    assert counts(store_url) == (2, 4)


def test_where_everything_is_right_strict_loads_it(store_url):
    assert status("load", NOTEBOOK / "inches.csv", "--db", store_url, "--strict") == 0
    assert counts(store_url) == (5, 10)


def test_options_say_what_no_column_says(tmp_path, capsys):
    page = tmp_path / "page.csv"
    page.write_text(NO_COLUMNS)
    words = ("load", page, "--data", tmp_path / "shop")
    assert status(*words) == 2
    assert "--machine" in capsys.readouterr().err
    options = ("--machine", "Sled", "--method", "reversal", "--unit", "mm")
    assert status(*words, *options) == 0
    assert capsys.readouterr().out.startswith("1 trial (2 readings) loaded")


def test_a_column_that_says_nothing_is_named(tmp_path, capsys):
    page = tmp_path / "page.csv"
    lines = (NOTEBOOK / "inches.csv").read_text().splitlines()
    page.write_text(f"{lines[0]},Weather\n{lines[1]},rain\n")
    assert status("load", page, "--data", tmp_path / "shop") == 0
    assert capsys.readouterr().err == "columns not used: Weather\n"


@pytest.mark.parametrize("more", [["--dry-run"], ["--strict"]])
def test_where_nothing_is_loaded_no_store_is_made(tmp_path, more):
    status("load", NOTEBOOK / "faulty.csv", "--data", tmp_path / "shop", *more)
    assert not (tmp_path / "shop").exists()


def test_without_a_store_named_it_is_the_one_in_the_own_folder(own_folder):
    assert status("load", NOTEBOOK / "inches.csv") == 0
    (file,) = own_folder.glob("*.sqlite")
    assert counts(sqlite_file_url(file)) == (5, 10)


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["missing.csv"], 2, "missing.csv cannot be read"),
        (["."], 2, "cannot be read"),
        (["empty.csv"], 2, "empty.csv: "),
        (["page.csv", "--db", "sqlite://", "--data", "x"], 2, "not several"),
        (["page.csv", "--to", "ftp://x"], 2, "http://127.0.0.1:8017"),
        (["page.csv", "--to", "http://127.0.0.1:9"], 1, "is it running?"),
        (["page.csv", "--db", "@missing"], 2, "missing cannot be read"),
    ],
)
def test_what_cannot_be_loaded_is_one_sentence(tmp_path, monkeypatch, capsys, words, code, says):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "empty.csv").touch()
    (tmp_path / "page.csv").write_text(NO_COLUMNS)
    assert status("load", *words) == code
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith("bothends: ")
    assert says in said.err
    assert said.err.count("\n") == 1


@pytest.mark.parametrize("more", [[], ["--strict"], ["--dry-run"]])
@pytest.mark.parametrize("made", [False, True])
def test_a_notebook_is_read_once(tmp_path, monkeypatch, more, made):
    read: list[int] = []

    def reading(data: bytes, *others: object) -> notebook.Notebook:
        read.append(len(data))
        return read_notebook(data, *others)

    read_notebook = notebook.read_notebook
    monkeypatch.setattr(notebook, "read_notebook", reading)
    shop = tmp_path / "shop"
    if made:
        assert status("load", NOTEBOOK / "komma.csv", "--data", shop) == 0
        read.clear()
    assert status("load", NOTEBOOK / "inches.csv", "--data", shop, *more) == 0
    assert len(read) == 1
