"""Every export says by which program and rules it was made, where no reader of it stumbles."""

from __future__ import annotations

import io
import json
import zipfile

import openpyxl
import pyarrow.parquet
import pytest

from analysis.rules import RULES
from api import MADE_BY, VERSION
from api.exports.pulled_file import pull_to
from api.exports.sources import Question, StoreSource
from tests.api.conftest import ON_SQLITE
from tests.api.exports.pulled import TRIALS_HEADER, body


@ON_SQLITE
@pytest.mark.parametrize("form", ["csv", "jsonl", "xlsx", "parquet"])
def test_beside_each_table_stands_what_made_it(person, form):
    answer = person.client.get(f"/api/trials.{form}")
    assert answer.headers["Made-By"] == MADE_BY == f"bothends {VERSION}, rules {RULES}"


@ON_SQLITE
def test_no_row_or_column_of_a_table_is_added(person):
    lines = body(person, "/api/trials.csv").decode().split("\r\n")
    assert lines[0] == TRIALS_HEADER
    assert MADE_BY not in "".join(lines)


@ON_SQLITE
def test_files_with_room_for_it_say_it_themselves(person):
    table = pyarrow.parquet.read_table(io.BytesIO(body(person, "/api/trials.parquet")))
    assert table.schema.metadata[b"made_by"] == MADE_BY.encode()
    book = openpyxl.load_workbook(io.BytesIO(body(person, "/api/trials.xlsx")))
    assert MADE_BY in [cell.value for row in book["notes"].iter_rows() for cell in row]
    with zipfile.ZipFile(io.BytesIO(body(person, "/api/history.zip"))) as archive:
        described = json.loads(archive.read("datapackage.json"))
    assert (described["bothends"], described["rules"]) == (VERSION, RULES)


@ON_SQLITE
@pytest.mark.usefixtures("person")
@pytest.mark.parametrize("form", ["csv", "jsonl", "xlsx", "parquet"])
def test_a_pulled_file_has_it_beside_it(server, tmp_path, form):
    file = tmp_path / f"trials.{form}"
    pull_to(file, StoreSource(server.engine, "here"), Question("trials"), lambda *_: None)
    assert json.loads((tmp_path / f"trials.{form}.cursor").read_text())["made_by"] == MADE_BY
