"""CSV after RFC 4180."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from typing import Any, Final

_ROWS_A_CHUNK: Final = 500
# A spreadsheet runs a cell that begins so as a formula; a name may begin with anything.
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")


def csv_chunks(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> Iterator[str]:
    """The header and the rows as CSV text, some hundred rows at a time."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow(header)
    remaining = iter(rows)
    while chunk := list(islice(remaining, _ROWS_A_CHUNK)):
        writer.writerows([_cell(value) for value in row] for row in chunk)
        yield buffer.getvalue()
        buffer.seek(0)
        buffer.truncate()
    yield buffer.getvalue()


def _cell(value: Any) -> Any:
    if isinstance(value, str) and value.startswith(_FORMULA) and not _is_numeric(value):
        return "'" + value
    return value


def _is_numeric(text: str) -> bool:
    return all(part.lstrip("+-").replace(".", "", 1).isdigit() for part in text.split(" "))
