"""CSV after RFC 4180, in UTF-8, fit to be opened in a spreadsheet."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import lru_cache
from typing import Any, Final

from api.exports.columns import Blocks, Kind, Table

# A spreadsheet runs a cell that begins so as a formula; a name may begin with anything.
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_SPECIAL: Final = frozenset(',"\r\n')


def csv_chunks(table: Table, blocks: Blocks) -> Iterator[bytes]:
    """The header and the rows, a block at a time; the header alone comes first.

    Text from outside that a spreadsheet would run as a formula gets an apostrophe before it;
    numbers stay as they are, and a cell without a value is empty.
    """
    yield (",".join(table.header) + "\r\n").encode()
    writers = [_WRITERS[column.kind] for column in table.columns]
    for block in blocks:
        # By column, since a call of a csv writer takes longer than writing one cell.
        cells = [write(values) for write, values in zip(writers, block, strict=True)]
        lines = "\r\n".join(map(",".join, zip(*cells, strict=True)))
        yield f"{lines}\r\n".encode()


@lru_cache(maxsize=4096)
def cell(text: str | None) -> str:
    """`text` from outside as one CSV cell."""
    if text is None:
        return ""
    if text.startswith(_FORMULA) and not _is_numeric(text):
        text = "'" + text
    if _SPECIAL.isdisjoint(text):
        return text
    return '"' + text.replace('"', '""') + '"'


def _is_numeric(text: str) -> bool:
    return text.isascii() and all(
        part[part[:1] in ("+", "-") :].replace(".", "", 1).isdigit() for part in text.split(" ")
    )


def _names(values: Sequence[Any]) -> list[str]:
    cells = {v: cell(v) for v in set(values)}
    return [cells[v] for v in values]


def _plain(values: Sequence[Any]) -> Sequence[str]:
    if None not in values:
        return values
    return ["" if v is None else v for v in values]


def _integers(values: Sequence[Any]) -> list[str]:
    return ["" if v is None else str(v) for v in values]


def _numbers(values: Sequence[Any]) -> list[str]:
    # repr is the shortest text that reads back as the same number.
    if None not in values:
        return list(map(repr, values))
    return ["" if v is None else repr(v) for v in values]


def _truths(values: Sequence[Any]) -> list[str]:
    return ["true" if v else "false" for v in values]


_WRITERS: Final[dict[Kind, Callable[[Sequence[Any]], Sequence[str]]]] = {
    "id": _plain,
    "name": _names,
    "word": _plain,
    "words": _plain,
    "moment": _plain,
    "integer": _integers,
    "number": _numbers,
    "decimal": _plain,
    "decimals": _plain,
    "truth": _truths,
    "object": _names,
}
