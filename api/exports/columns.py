"""The columns of a pulled table, their meanings and their units.

A pull passes tables on in blocks: for each column a sequence of values, some thousand rows long.
Every format writes from the same blocks.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from itertools import islice
from typing import Any, Final, Literal, NamedTuple

import numpy as np

from analysis.units import Unit, mm_text, parse_length, parse_number

Kind = Literal[
    "id", "name", "word", "words", "moment", "integer", "number", "decimal", "decimals", "truth",
    "object",
]  # fmt: skip
"""What a column's values are. All but a truth are None where there is none.

id: a UUID's text. name: text from outside, with any content. word, words: of this program's own
vocabulary, separated by spaces, with hyphens inside a word. moment: RFC 3339 in UTC to the
microsecond. integer: int. number: float. decimal, decimals: the text of exact decimal numbers,
separated by spaces. truth: bool. object: the text of a JSON object.
"""
Block = Sequence[Sequence[Any]]
"""The values of each column in turn, all equally long and at least one."""

BLOCK: Final = 250
"""Rows a block at most: enough to write by column, few enough to stay in the processor's cache."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column; `unit` is empty where the values have none."""

    name: str
    kind: Kind
    meaning: str
    unit: str = ""


class Join(NamedTuple):
    """A column that names a row of another table by one of its columns; may be empty."""

    column: str
    table: str
    theirs: str


@dataclass(frozen=True, slots=True)
class Table:
    """A table as it is pulled; `key` names the columns that identify a row, `joins` those that
    name a row of another table or of this one. note: what else its reader must know."""

    name: str
    title: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    joins: tuple[Join, ...] = ()
    note: str = ""

    @property
    def header(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns)

    def index(self, name: str) -> int:
        """The position of the column with that name."""
        return self.header.index(name)


Blocks = Iterator[Block]


def in_blocks(rows: Iterable[Sequence[Any]]) -> Blocks:
    """Rows that come one by one, by column; never more than a block in memory."""
    each = iter(rows)
    while block := list(islice(each, BLOCK)):
        yield list(zip(*block, strict=True))


class OtherColumns(ValueError):
    """A file was pulled with other columns, by another version; the message says which file."""


def id_texts(values: Sequence[Any]) -> list[str]:
    """Ids as the driver gives them (32 hex digits, or UUIDs) in the usual text form."""
    if not values or type(values[0]) is not str:
        return [str(v) for v in values]
    # The dashes of a whole block at once: one id at a time takes as long as the query.
    digits = np.frombuffer("".join(values).encode(), np.uint8).reshape(-1, 32)
    texts = np.full((len(values), 36), ord("-"), np.uint8)
    texts[:, _DIGITS] = digits
    text = texts.tobytes().decode()
    return [text[at : at + 36] for at in range(0, len(text), 36)]


_DIGITS: Final = [at for at in range(36) if at not in (8, 13, 18, 23)]


def group_id_texts(values: Sequence[Any]) -> list[str | None]:
    """The same for ids that many consecutive rows share, or do not have."""
    distinct = [v for v in set(values) if v is not None]
    texts: dict[Any, str | None] = dict(zip(distinct, id_texts(distinct), strict=True))
    texts[None] = None
    return [texts[v] for v in values]


def words_text(words: Iterable[str]) -> str:
    """Words of this program's own vocabulary, none of which holds a hyphen, as one value."""
    return " ".join([word.replace(" ", "-") for word in words])


def words_in(text: str) -> list[str]:
    """The words that `words_text` wrote."""
    return [word.replace("-", " ") for word in text.split()]


def moment_texts(values: Sequence[Any]) -> Sequence[str | None]:
    """Moments as the driver gives them (ISO text in UTC, or datetimes) after RFC 3339.

    All have one length, so that the texts sort as the moments do.
    """
    if values and None not in values and type(values[0]) is str:
        texts = "\n".join(values).replace(" ", "T").replace("\n", "Z\n")
        return f"{texts}Z".split("\n")
    return [
        f"{v[:10]}T{v[11:]}Z" if type(v) is str else None if v is None else moment_text(v)
        for v in values
    ]


def moment_text(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


@lru_cache(maxsize=4096)
def length_text(nanometres: int | None) -> str | None:
    """Exact decimal millimetres, None of None."""
    return None if nanometres is None else mm_text(nanometres)


def given_length_texts(texts: Sequence[str | None], units: Sequence[Unit]) -> list[str | None]:
    """Lengths as a person gave them, each in its unit, as exact decimal millimetres."""
    return [
        None if text is None else length_text(parse_length(text, unit))
        for text, unit in zip(texts, units, strict=True)
    ]


def degrees(text: str | None) -> float | None:
    """An angle as a person gave it, None of None."""
    return None if text is None else float(parse_number(text))
