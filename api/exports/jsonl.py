"""JSON Lines: one JSON object a row, in UTF-8, each ended by a line feed.

Exact decimals are JSON numbers with all their digits; a reader that keeps decimals keeps
them exactly. Missing values are null; several values are an array.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import lru_cache
from typing import Any, Final

from api.exports.columns import Block, Blocks, Column, Kind, Table, in_blocks, words_in, words_text


def jsonl_chunks(table: Table, blocks: Blocks) -> Iterator[bytes]:
    """The rows, a block at a time."""
    fields = ",".join(f"{json.dumps(column.name)}:%s" for column in table.columns)
    template = f"{{{fields}}}\n"
    writers = [_WRITERS[column.kind] for column in table.columns]
    for block in blocks:
        cells = [write(values) for write, values in zip(writers, block, strict=True)]
        yield "".join(map(template.__mod__, zip(*cells, strict=True))).encode()


def read_jsonl(table: Table, lines: Iterable[bytes]) -> Iterator[Block]:
    """The blocks that `jsonl_chunks` wrote, exactly.

    Raises ValueError for a line that is not a row of `table`.
    """
    yield from in_blocks(_row(table, line) for line in lines)


def _row(table: Table, line: bytes) -> list[Any]:
    try:
        # Numbers are read as text, so that exact decimals stay exact.
        found = json.loads(line, parse_float=str, parse_int=str)
        return [_value(column, found[column.name]) for column in table.columns]
    except (KeyError, TypeError, ValueError):
        raise ValueError(
            f"the answer has a line that is not a row of {table.name};"
            " both ends must be of one version"
        ) from None


def _value(column: Column, value: Any) -> Any:
    match column.kind:
        case "words":
            return words_text(value)
        case "decimals":
            return " ".join(value)
        case "integer" if value is not None:
            return int(value)
        case "number" if value is not None:
            return float(value)
        case _:
            return value


@lru_cache(maxsize=4096)
def _text(text: str | None) -> str:
    return json.dumps(text, ensure_ascii=False)


def _names(values: Sequence[Any]) -> list[str]:
    return [_text(v) for v in values]


def _plain(values: Sequence[Any]) -> list[str]:
    return ["null" if v is None else f'"{v}"' for v in values]


@lru_cache(maxsize=4096)
def _word_list(text: str) -> str:
    return json.dumps(words_in(text))


def _words(values: Sequence[Any]) -> list[str]:
    return [_word_list(v) for v in values]


def _numbers(values: Sequence[Any]) -> list[str]:
    return ["null" if v is None else repr(v) for v in values]


def _decimals(values: Sequence[Any]) -> list[str]:
    return ["null" if v is None else v for v in values]


def _decimal_lists(values: Sequence[Any]) -> list[str]:
    return [f"[{v.replace(' ', ',')}]" for v in values]


def _truths(values: Sequence[Any]) -> list[str]:
    return ["true" if v else "false" for v in values]


_WRITERS: Final[dict[Kind, Callable[[Sequence[Any]], list[str]]]] = {
    "id": _plain,
    "name": _names,
    "word": _plain,
    "words": _words,
    "moment": _plain,
    "integer": _numbers,
    "number": _numbers,
    "decimal": _decimals,
    "decimals": _decimal_lists,
    "truth": _truths,
}
