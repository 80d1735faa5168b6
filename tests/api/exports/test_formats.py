"""The history as any other tool reads it: every format, every cell, exactly."""

from __future__ import annotations

import io
import json

import openpyxl
import pyarrow.parquet
import pytest

from api.exports.columns import BLOCK
from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE
from tests.api.exports.pulled import FORMULA, TRIALS_HEADER, body, rows


def test_the_csv_has_the_promised_header_and_every_row_its_cells(person):
    data = body(person, "/api/trials.csv")
    assert data.startswith(f"{TRIALS_HEADER}\r\n".encode())
    assert data.endswith(b"\r\n")
    assert data.count(b"\n") == data.count(b"\r\n")
    found = rows(data)
    assert len(found) == 4
    assert all(len(row) == 21 and None not in row.values() for row in found)
    first = found[0]
    assert first["readings_mm"] == "12.065 12.2428"
    assert first["deviation_mm"] == "0.1778"
    assert first["baseline_mm"] == "203.8604"
    assert first["taken_at"].endswith("Z")
    assert found[1]["flags"] == "ends-swapped"
    assert (found[2]["state"], found[2]["angle_deg"]) == ("open", "")


def test_a_spreadsheet_runs_no_name_as_a_formula_and_numbers_stay_numbers(person):
    found = rows(body(person, "/api/trials.csv"))
    assert found[0]["machine"] == "'" + FORMULA
    assert found[0]["caliper"] == "'-six, inch"
    person.start("-4", method="blade-to-slot")
    person.press("-12.5", "-12.25")
    last = rows(body(person, "/api/trials.csv"))[-1]
    assert (last["machine"], last["readings_mm"]) == ("-4", "-12.5 -12.25")


def test_readings_in_other_formats_say_the_same(person):
    same = rows(body(person, "/api/readings.csv"))
    data = body(person, "/api/readings.jsonl")
    lines = [json.loads(line, parse_float=str) for line in data.splitlines()]
    assert [str(x["reading_mm"]) for x in lines] == [row["reading_mm"] for row in same]
    assert [x["late"] for x in lines] == [row["late"] == "true" for row in same]
    table = pyarrow.parquet.read_table(io.BytesIO(body(person, "/api/readings.parquet")))
    assert [str(v.normalize()) for v in table["reading_mm"].to_pylist()] == [
        row["reading_mm"] for row in same
    ]
    sheet = openpyxl.load_workbook(io.BytesIO(body(person, "/api/readings.xlsx")))["readings"]
    assert sheet.max_row == len(same) + 1


# ---------------------------------------------------------------- what is asked


def test_a_pull_is_narrowed_by_machine_method_and_moment(person):
    every = rows(body(person, "/api/trials.csv"))
    sled = next(m for m in person.get("/api/machines") if m["name"] == "Sled")
    for asked in ("machine=Sled", f"machine={sled['id']}", "method=roll"):
        found = rows(body(person, f"/api/trials.csv?{asked}"))
        assert [row["method"] for row in found] == ["roll"]
        assert len(rows(body(person, f"/api/readings.csv?{asked}"))) == 4
    moment = every[1]["taken_at"]
    found = rows(body(person, f"/api/trials.csv?since={moment}"))
    assert [r["trial_id"] for r in found] == [
        r["trial_id"] for r in every if r["taken_at"] >= moment
    ]
    assert rows(body(person, "/api/trials.csv?since=2126-01-01")) == []


def test_an_empty_history_is_an_empty_file_of_every_format(client):
    for form in ("csv", "jsonl", "xlsx", "parquet"):
        for what in ("trials", "readings"):
            assert client.get(f"/api/{what}.{form}").status_code == 200
    assert client.get("/api/trials.csv").text == f"{TRIALS_HEADER}\r\n"
    assert client.get("/api/trials.jsonl").content == b""
    # RFC 8428, 2 and 4.2: one record or more, each with a value or a sum.
    assert client.get("/api/readings.senml").json() == [{"n": "bothends:", "u": "m", "s": 0}]
    empty = pyarrow.parquet.read_table(io.BytesIO(client.get("/api/trials.parquet").content))
    assert (empty.num_rows, empty.num_columns) == (0, 21)


def test_more_rows_than_a_block_all_arrive(client):
    person = Person(client)
    person.start(method="stop-block", baseline=None)
    count = 2 * BLOCK + 7
    person.press(*(f"412.{n:03d}" for n in range(count)))
    found = rows(body(person, "/api/trials.csv"))
    assert [row["number"] for row in found] == [str(n + 1) for n in range(count)]
    table = pyarrow.parquet.read_table(io.BytesIO(body(person, "/api/trials.parquet")))
    assert table["number"].to_pylist() == list(range(1, count + 1))
    assert len(json.loads(body(person, "/api/readings.senml"))) == count


@ON_SQLITE
@pytest.mark.parametrize(("form", "module"), [("parquet", "pyarrow"), ("xlsx", "openpyxl")])
def test_a_format_whose_library_is_missing_says_how_to_get_it(person, monkeypatch, form, module):
    import sys

    for name in [n for n in sys.modules if n.partition(".")[0] == module]:
        monkeypatch.setitem(sys.modules, name, None)
    problem = json.loads(body(person, f"/api/trials.{form}", 501))
    assert f"pip install {module}" in problem["detail"]
    assert body(person, "/api/trials.csv")
