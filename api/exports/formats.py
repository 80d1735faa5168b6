"""The formats in which a table can be pulled."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from types import ModuleType
from typing import Final

from sqlalchemy import Connection

from api.exports import readings, senml, trials
from api.exports.columns import Blocks, Table
from api.exports.csv import csv_chunks
from api.exports.jsonl import jsonl_chunks
from api.exports.parquet_process import parquet_in_child
from api.exports.wanted import Wanted
from api.exports.xlsx import xlsx_chunks

TABLES: Final[dict[str, ModuleType]] = {"trials": trials, "readings": readings}


@dataclass(frozen=True, slots=True)
class Format:
    """`chunks` writes a table's blocks; `by_moment`: it needs them in the order of time."""

    media_type: str
    chunks: Callable[[Table, Blocks], Iterator[bytes]]
    title: str
    by_moment: bool = False


FORMATS: Final[dict[str, Format]] = {
    "csv": Format("text/csv; charset=utf-8; header=present", csv_chunks, "CSV (RFC 4180)"),
    "jsonl": Format("application/jsonl; charset=utf-8", jsonl_chunks, "JSON Lines"),
    "parquet": Format("application/vnd.apache.parquet", parquet_in_child, "Apache Parquet"),
    "xlsx": Format(
        "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
        xlsx_chunks,
        "a workbook",
    ),
    "senml": Format(senml.MEDIA_TYPE, senml.senml_chunks, "SenML JSON (RFC 8428)", by_moment=True),
}
OFFERED: Final = {
    "trials": ("csv", "jsonl", "xlsx", "parquet"),
    "readings": ("csv", "jsonl", "xlsx", "parquet", "senml"),
}


def chunks(connection: Connection, what: str, form: str, wanted: Wanted) -> Iterator[bytes]:
    """The table `what` in the format `form`, in parts.

    Raises MissingExtra at the first part where the format's library is not installed.
    """
    writer = FORMATS[form]
    if writer.by_moment:
        return writer.chunks(readings.TABLE, readings.blocks(connection, wanted, by_moment=True))
    table = TABLES[what]
    return writer.chunks(table.TABLE, table.blocks(connection, wanted))
