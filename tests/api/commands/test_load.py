"""A notebook is loaded once, and what cannot be loaded is said by its line."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from sqlalchemy import func, select

from api.answers import notebook
from api.store.engine import open_engine, sqlite_file_url
from api.store.tables import Reading, Series, Stop, Trial
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
        "5 strips (10 readings) would be loaded, 0 known already, 0 lines refused\n"
    )
    assert counts(store_url) == (0, 0)
    for loaded, known in (("5 strips (10 readings)", 0), ("0 strips (0 readings)", 5)):
        assert status("load", page, "--db", store_url) == 0
        assert capsys.readouterr().out == (
            f"{loaded} loaded, {known} known already, 0 lines refused\n"
        )
        assert counts(store_url) == (5, 10)


def test_a_line_that_can_hardly_be_right_is_taken_and_told(store_url, tmp_path, capsys):
    rows = ["11.40,11.46", "11.42,11.47", "114.1,114.6", "11.41,11.48", "11.43,11.46"]
    page = tmp_path / "page.csv"
    lines = [f"2024-05-03,Saw,reversal,184,mm,{row}" for row in rows]
    page.write_text("\n".join(["date,machine,method,cut length,unit,fence end,open end", *lines]))
    for words in (("--dry-run",), (), ()):
        assert status("load", page, "--db", store_url, *words) == 0
        (said,) = capsys.readouterr().err.splitlines()
        assert said.startswith("line 4, taken: fence end: 114.1 can hardly be right")
    assert counts(store_url) == (5, 10)


def test_what_was_pulled_is_loaded_elsewhere_with_its_stops_and_results(
    store_url, tmp_path, capsys
):
    """A pull of trials says how the stops are set; lines that say it otherwise are refused."""
    page, pulled = tmp_path / "page.csv", tmp_path / "trials.csv"
    head = "date,machine,method,cut length,unit,fence end,open end,stop,nominal_deg,visit,work"
    rows = [
        ("10.01,10.21", "", "", "1", ""),
        ("12.00,63.61", "Ten right", "10", "1", ""),
        ("12.50,64.15", "ten  RIGHT", "10.0", "1", ""),
        ("12.71,64.41", "ten right", "", "2", ""),
        ("12.71,64.41", "ten right", "9", "2", ""),
        ("12.71,64.41", "five left", "", "2", ""),
        ("12.71,64.41", "square", "5", "2", ""),
        ("12.71,64.41", "", "", "0", ""),
        ("12.71,64.41", "", "", "", "boats"),
        ("12.71,64.41", "thirty", "30", "", ""),
    ]
    lines = [f"2024-05-03,Saw,reversal,140,mm,{','.join(row)}" for row in rows]
    page.write_text("\n".join([head, *lines]))
    for loaded in ("4 strips (8 readings) loaded", "0 strips (0 readings) loaded, 4 known"):
        assert status("load", page, "--db", store_url) == 0
        told = capsys.readouterr()
        assert told.out.startswith(loaded)
        assert [line.partition(": ")[2] for line in told.err.splitlines()] == [
            "nominal angle: 9, and ten right of Saw is at 10 degrees; name another stop, or correct"
            " the angle",
            "Saw has no stop five left yet; say its angle from square in a column nominal angle,"
            " and it is made",
            "nominal angle: 5, and square of Saw is at 0 degrees; name another stop, or correct the"
            " angle",
            "visit: '0' must be a whole number from 1 to 999",
            "there is no work boats; make it first, on the page Works",
            "stop: Reversal measures a stop up to 10 degrees from square, without a bevel; measure"
            " this one by closing miters",
        ]
    assert status("pull", "--db", store_url, "--to", pulled) == 0
    other = sqlite_file_url(tmp_path / "other.sqlite")
    assert status("load", pulled, "--db", other) == 0
    assert capsys.readouterr().out.startswith("4 strips (8 readings) loaded")
    asked = (
        select(Stop.name, Stop.nominal_deg, Trial.number, Trial.angle_deg)
        .add_columns(Trial.expanded_uncertainty_deg, Trial.visit)
        .join(Series, Series.id == Trial.series_id)
        .join(Stop, Stop.id == Series.stop_id)
        .order_by(Stop.name, Trial.number)
    )
    found = []
    for url in (store_url, other):
        engine = open_engine(url)
        with engine.connect() as store:
            found.append([tuple(row) for row in store.execute(asked)])
        engine.dispose()
    assert [row[-1] for row in found[0]] == [1, 1, 2, 1]
    assert max(abs(row[3]) for row in found[0]) < 0.1
    assert [row[:-1] for row in found[0]] == [row[:-1] for row in found[1]]


def test_a_refused_line_stops_the_others_only_where_asked(store_url, capsys):
    page = NOTEBOOK / "faulty.csv"
    assert status("load", page, "--db", store_url, "--strict") == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.splitlines()[-1] == "bothends: 11 lines refused, so nothing was loaded"
    assert counts(store_url) == (0, 0)
    assert status("load", page, "--db", store_url) == 0
    said = capsys.readouterr()
    assert said.out == "2 strips (4 readings) loaded, 0 known already, 11 lines refused\n"
    assert [line.partition(":")[0] for line in said.err.splitlines()][:2] == ["line 3", "line 4"]
    assert counts(store_url) == (2, 4)


@pytest.mark.parametrize("more", [[], ["--dry-run"]])
def test_where_every_line_is_refused_a_script_learns_it_and_a_person_what_to_say(
    tmp_path, capsys, more
):
    page = tmp_path / "page.csv"
    page.write_text(NO_COLUMNS + "2024-05-04,12.30,12.40,200\n")
    words = ("load", page, "--data", tmp_path / "shop", "--machine", "Sled", *more)
    thick = ("--method", "half-turn")
    assert status(*words, "--method", "reversal") == 1
    told = capsys.readouterr()
    assert "0 strips (0 readings)" in told.out
    assert "2 lines refused" in told.out
    *lines, last = told.err.splitlines()
    assert all("it has no unit; add a column unit, or give --unit" in line for line in lines)
    assert "every line is refused, so nothing was loaded" in last
    assert status("load", "--help") == 0
    offered = capsys.readouterr().out
    assert all(f"  {option} " in offered for option in re.findall(r"--[a-z-]+", last))
    page.write_text("Date,lower,upper\n2024-05-03,12.30,12.40\n")
    assert status(*words, *thick, "--unit", "mm") == 1
    told = capsys.readouterr().err
    assert "line 2: thickness: Half-turn needs the board's thickness; fill in the cell" in told
    assert "or add a column thickness" in told
    # One line that is taken, or was before, is something loaded.
    page.write_text(NO_COLUMNS + "yesterday,12.30,12.40,200\n")
    for _ in range(2):
        assert status(*words, "--method", "reversal", "--unit", "mm") == 0


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
    assert capsys.readouterr().out.startswith("1 strip (2 readings) loaded")


def test_a_column_that_says_nothing_is_named(tmp_path, capsys):
    page = tmp_path / "page.csv"
    lines = (NOTEBOOK / "inches.csv").read_text().splitlines()
    page.write_text(f"{lines[0]},Weather\n{lines[2]},rain\n")
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
        (["page.csv", "--to", "ftp://x"], 2, "give one such as http://shop.local:8017"),
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
