"""Workbooks have numbers, moments and harmless text, and are read again as they were written."""

from __future__ import annotations

import io
from datetime import datetime, timedelta
from itertools import chain

import openpyxl
import pytest

from api.exports import readings, trials, xlsx
from api.exports.wanted import Wanted
from tests.api.exports.pulled import TRIALS_HEADER, body, rows


def test_a_workbook_has_numbers_moments_and_harmless_text(person):
    book = openpyxl.load_workbook(io.BytesIO(body(person, "/api/trials.xlsx")))
    assert book.sheetnames == ["trials", "notes"]
    header, *found = book["trials"].iter_rows()
    assert ",".join(cell.value for cell in header) == TRIALS_HEADER
    for row, same in zip(found, rows(body(person, "/api/trials.csv")), strict=True):
        cells = {h.value: cell for h, cell in zip(header, row, strict=True)}
        assert "f" not in {cell.data_type for cell in row}
        assert cells["machine"].value == same["machine"].removeprefix("'")
        assert cells["number"].value == int(same["number"])
        assert cells["taken_at"].value.isoformat()[:19] == same["taken_at"][:19]
        if same["deviation_mm"]:
            assert cells["deviation_mm"].value == float(same["deviation_mm"])
    notes = [row[:3] for row in book["notes"].iter_rows(values_only=True)]
    assert ("deviation_mm", "mm", "open end minus fence end, exact") in notes


@pytest.mark.usefixtures("person")
@pytest.mark.parametrize("what", [trials, readings])
def test_what_is_written_is_read_again(server, tmp_path, what):
    file = tmp_path / "pulled.xlsx"
    with server.engine.connect() as store:
        blocks = list(what.blocks(store, Wanted()))
    file.write_bytes(b"".join(xlsx.xlsx_chunks(what.TABLE, iter(blocks))))
    (read,) = xlsx.read_xlsx(what.TABLE, file)
    for column, values in zip(what.TABLE.columns, zip(*blocks, strict=True), strict=True):
        for found, had in zip(read[what.TABLE.index(column.name)], chain(*values), strict=True):
            if column.kind == "moment":  # a cell is exact to the millisecond
                apart = datetime.fromisoformat(found) - datetime.fromisoformat(had)
                assert abs(apart) <= timedelta(milliseconds=0.5), column.name
            elif column.kind == "number" and had is not None:  # a cell has 16 digits
                assert found == pytest.approx(had, rel=1e-15), column.name
            else:
                assert found == had, column.name


@pytest.mark.usefixtures("person")
def test_rows_that_a_sheet_cannot_hold_are_on_further_ones(server, tmp_path, monkeypatch):
    monkeypatch.setattr(xlsx, "_ROWS_A_SHEET", 4)
    file = tmp_path / "pulled.xlsx"
    with server.engine.connect() as store:
        file.write_bytes(b"".join(xlsx.xlsx_chunks(trials.TABLE, trials.blocks(store, Wanted()))))
    book = openpyxl.load_workbook(file)
    assert book.sheetnames == ["trials", "trials 2", "notes"]
    assert [book[name].max_row for name in book.sheetnames[:2]] == [4, 2]
    number = trials.TABLE.index("number")
    assert [n for b in xlsx.read_xlsx(trials.TABLE, file) for n in b[number]] == [1, 2, 3, 1]


def test_a_workbook_without_rows_has_its_header_and_no_block(tmp_path):
    file = tmp_path / "empty.xlsx"
    file.write_bytes(b"".join(xlsx.xlsx_chunks(trials.TABLE, iter([]))))
    (header,) = openpyxl.load_workbook(file)["trials"].iter_rows(values_only=True)
    assert header == trials.TABLE.header
    assert list(xlsx.read_xlsx(trials.TABLE, file)) == []


def test_another_file_is_refused(tmp_path):
    file = tmp_path / "other.xlsx"
    file.write_bytes(b"no such thing")
    with pytest.raises(ValueError, match="is not a workbook that can be read"):
        list(xlsx.read_xlsx(trials.TABLE, file))
    file.write_bytes(b"".join(xlsx.xlsx_chunks(readings.TABLE, iter([]))))
    with pytest.raises(ValueError, match="holds other columns than trials have"):
        list(xlsx.read_xlsx(trials.TABLE, file))
