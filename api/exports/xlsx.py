"""Workbooks for spreadsheets (Office Open XML): numbers as numbers, moments as moments."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from analysis.units import trimmed
from api import MADE_BY
from api.exports.columns import Block, Blocks, Column, OtherColumns, Table, in_blocks, moment_text
from api.exports.extras import needed

# What a sheet can hold, its header included.
_ROWS_A_SHEET: Final = 1_048_576
_NOTES: Final = "notes"
_MOMENT: Final = "yyyy-mm-dd hh:mm:ss.000"
_COPY: Final = 1 << 18


def xlsx_chunks(table: Table, blocks: Blocks) -> Iterator[bytes]:
    """The workbook: a sheet of rows (further ones where one is full), and a sheet of notes.

    It can't be sent before its end is written, so it is in a temporary file until then.
    Raises MissingExtra where openpyxl is not installed.
    """
    with tempfile.TemporaryFile() as file:
        _write(table, blocks, file)
        file.seek(0)
        while chunk := file.read(_COPY):
            yield chunk


def _write(table: Table, blocks: Blocks, file: Any) -> None:
    openpyxl = needed("openpyxl", "XLSX")
    book = openpyxl.Workbook(write_only=True)
    try:
        _fill(book, table, blocks)
        book.save(file)
    finally:
        # Where the rows broke off: the library complains of a sheet that is not closed.
        for sheet in book.worksheets:
            if not sheet.closed:
                sheet.close()


def _fill(book: Any, table: Table, blocks: Blocks) -> None:
    cells = needed("openpyxl.cell", "XLSX")
    illegal = cells.cell.ILLEGAL_CHARACTERS_RE

    def written(sheet: Any, column: Column, value: Any) -> Any:
        if value is None:
            return None
        match column.kind:
            case "integer" | "number" | "truth":
                return value
            case "decimal":
                return float(value)
            case "moment":
                cell = cells.WriteOnlyCell(sheet, _moment(value))
                cell.number_format = _MOMENT
                return cell
            case "name":
                cell = cells.WriteOnlyCell(sheet, illegal.sub("\N{REPLACEMENT CHARACTER}", value))
                cell.data_type = "s"  # text that begins like a formula stays text
                return cell
            case _:
                return value

    sheet: Any = None
    left = number = 0
    for block in blocks:
        for row in zip(*block, strict=True):
            if not left:
                number += 1
                sheet = _sheet(book, table, number)
                left = _ROWS_A_SHEET - 1
            sheet.append([written(sheet, c, v) for c, v in zip(table.columns, row, strict=True)])
            left -= 1
    if sheet is None:
        _sheet(book, table, 1)
    notes = book.create_sheet(_NOTES)
    for line in _notes(table):
        notes.append(line)


def _sheet(book: Any, table: Table, number: int) -> Any:
    sheet = book.create_sheet(table.name if number == 1 else f"{table.name} {number}")
    sheet.freeze_panes = "A2"
    sheet.append(table.header)
    return sheet


def _notes(table: Table) -> Iterator[Sequence[str]]:
    yield (table.title,)
    yield (MADE_BY, f"written {moment_text(datetime.now(UTC))}")
    yield ("Moments are in UTC. Lengths in cells are numbers; readings_mm keeps exact texts.",)
    yield ()
    yield ("column", "unit", "meaning")
    for column in table.columns:
        yield (column.name, column.unit, column.meaning)


def read_xlsx(table: Table, path: Path) -> Iterator[Block]:
    """The blocks that `xlsx_chunks` wrote.

    Raises MissingExtra where openpyxl is not installed, ValueError where the file is not one.
    """
    openpyxl = needed("openpyxl", "XLSX")
    try:
        book = openpyxl.load_workbook(path, read_only=True)
    except Exception:  # the library does not wrap the errors of its parts
        raise ValueError(f"{path} is not a workbook that can be read") from None
    try:
        for sheet in book.worksheets:
            if sheet.title == _NOTES:
                continue
            rows = sheet.iter_rows(values_only=True)
            if tuple(next(rows, ())) != table.header:
                raise OtherColumns(f"{path} holds other columns than {table.name} have")
            yield from in_blocks(_rows(table, rows))
    finally:
        book.close()


def _rows(table: Table, rows: Iterator[Sequence[Any]]) -> Iterator[list[Any]]:
    for row in rows:
        values = [*row, *[None] * (len(table.columns) - len(row))]
        yield [_read(c, v) for c, v in zip(table.columns, values, strict=True)]


def _read(column: Column, value: Any) -> Any:
    match column.kind:
        case "words" | "decimals":
            return "" if value is None else str(value)
        case _ if value is None:
            return None
        case "moment":
            # A cell holds days as a binary float, which is exact to the millisecond.
            return moment_text(value.replace(tzinfo=UTC))
        case "decimal":
            return trimmed(f"{value:.6f}")
        case "number":
            return float(value)
        case _:
            return value


def _moment(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC).replace(tzinfo=None)
