"""Apache Parquet: typed columns, exact decimals, units and meanings in the fields' metadata."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import chain
from pathlib import Path
from typing import Any, Final

from analysis.units import trimmed
from api import MADE_BY
from api.exports.columns import Block, Blocks, Column, Kind, OtherColumns, Table, moment_texts
from api.exports.extras import needed
from api.exports.write_buffer import WriteBuffer

# A group is written at once, and read at once: a few megabytes.
_ROWS_A_GROUP: Final = 10_000
# A kilometre in millimetres with a nanometre's digits; lengths go no further.
_DIGITS: Final = 18
_DECIMALS: Final = 6


def parquet_chunks(table: Table, blocks: Blocks) -> Iterator[bytes]:
    """The file, a group of rows at a time.

    Raises MissingExtra where pyarrow is not installed.
    """
    pa = _pyarrow()
    buffer = WriteBuffer()
    schema = _schema(pa, table)
    with needed("pyarrow.parquet", "Parquet").ParquetWriter(
        buffer, schema, compression="zstd"
    ) as writer:
        for group in _groups(blocks):
            writer.write_table(_arrow(pa, table, schema, group))
            yield buffer.take()
    yield buffer.take()


def read_parquet(table: Table, path: Path) -> Iterator[Block]:
    """The blocks that `parquet_chunks` wrote.

    Raises MissingExtra where pyarrow is not installed, ValueError where the file is not one.
    """
    pa = _pyarrow()
    parquet = needed("pyarrow.parquet", "Parquet")
    try:
        file = parquet.ParquetFile(path)
    except pa.ArrowInvalid:
        raise ValueError(f"{path} is not a Parquet file") from None
    with file:
        if tuple(file.schema_arrow.names) != table.header:
            raise OtherColumns(f"{path} holds other columns than {table.name} have")
        for batch in file.iter_batches(batch_size=2000):
            yield [
                _read(column.kind, values.to_pylist())
                for column, values in zip(table.columns, batch.columns, strict=True)
            ]


def _pyarrow() -> Any:
    needed("pyarrow.compute", "Parquet")
    return needed("pyarrow", "Parquet")


def _groups(blocks: Blocks) -> Iterator[list[Block]]:
    group: list[Block] = []
    rows = 0
    for block in blocks:
        group.append(block)
        rows += len(block[0])
        if rows >= _ROWS_A_GROUP:
            yield group
            group, rows = [], 0
    if group:
        yield group


def _schema(pa: Any, table: Table) -> Any:
    return pa.schema(
        [
            pa.field(
                column.name,
                _type(pa, column.kind),
                nullable=column.name not in table.key,
                metadata=_metadata(column),
            )
            for column in table.columns
        ],
        metadata={"title": table.title, "made_by": MADE_BY},
    )


def _metadata(column: Column) -> dict[str, str]:
    said = {"meaning": column.meaning}
    return said | {"unit": column.unit} if column.unit else said


def _type(pa: Any, kind: Kind) -> Any:
    decimal = pa.decimal128(_DIGITS, _DECIMALS)
    match kind:
        case "moment":
            return pa.timestamp("us", tz="UTC")
        case "integer":
            return pa.int64()
        case "number":
            return pa.float64()
        case "decimal":
            return decimal
        case "decimals":
            return pa.list_(pa.field("element", decimal))
        case "words":
            return pa.list_(pa.field("element", pa.string()))
        case "truth":
            return pa.bool_()
        case _:
            return pa.string()


def _arrow(pa: Any, table: Table, schema: Any, group: list[Block]) -> Any:
    columns = []
    for index, (column, field) in enumerate(zip(table.columns, schema, strict=True)):
        values = list(chain.from_iterable(block[index] for block in group))
        columns.append(_array(pa, column, field.type, values))
    return pa.table(columns, schema=schema)


def _array(pa: Any, column: Column, wanted: Any, values: list[Any]) -> Any:
    match column.kind:
        case "decimal" | "moment":
            # Arrow parses the texts itself, exactly and much faster than Python.
            return pa.array(values, pa.string()).cast(wanted)
        case "decimals" | "words":
            texts = pa.array([value or None for value in values], pa.string())
            parts = pa.compute.split_pattern(texts, " ").cast(wanted)
            # No readings is an empty list, not a missing value.
            return pa.ListArray.from_arrays(parts.offsets, parts.values, wanted)
        case _:
            return pa.array(values, wanted)


def _read(kind: Kind, values: Sequence[Any]) -> Sequence[Any]:
    match kind:
        case "decimal":
            return [None if v is None else _plain(v) for v in values]
        case "decimals":
            return [" ".join(map(_plain, v)) for v in values]
        case "words":
            return [" ".join(v) for v in values]
        case "moment":
            return moment_texts(values)
        case _:
            return values


def _plain(number: Any) -> str:
    text = f"{number:f}"
    return trimmed(text) if "." in text else text
