"""Parquet files have types, units and exact decimals, and are read again as they were written."""

from __future__ import annotations

import io
from itertools import chain

import pyarrow.parquet
import pytest

from api.exports import parquet, readings, trials
from api.exports.columns import Column, Table
from api.exports.wanted import Wanted
from tests.api.exports.pulled import FORMULA, TRIALS_HEADER, body, rows


def test_parquet_has_types_units_and_exact_decimals(person):
    table = pyarrow.parquet.read_table(io.BytesIO(body(person, "/api/trials.parquet")))
    assert ",".join(table.schema.names) == TRIALS_HEADER
    for name in ("baseline_mm", "readings_mm", "deviation_mm"):
        assert table.schema.field(name).metadata[b"unit"] == b"mm"
    assert table.schema.field("angle_deg").metadata[b"unit"] == b"deg"
    assert str(table.schema.field("taken_at").type) == "timestamp[us, tz=UTC]"
    for row, same in zip(table.to_pylist(), rows(body(person, "/api/trials.csv")), strict=True):
        assert [str(r.normalize()) for r in row["readings_mm"]] == same["readings_mm"].split()
        assert row["flags"] == same["flags"].split()
        assert row["number"] == int(same["number"])
        assert row["taken_at"].strftime("%Y-%m-%dT%H:%M:%S.%fZ") == same["taken_at"]
        assert row["angle_deg"] == (float(same["angle_deg"]) if same["angle_deg"] else None)
    assert table["machine"][0].as_py() == FORMULA


@pytest.mark.usefixtures("person")
@pytest.mark.parametrize("what", [trials, readings])
def test_what_is_written_is_read_again(server, tmp_path, what):
    file = tmp_path / "pulled.parquet"
    with server.engine.connect() as store:
        blocks = list(what.blocks(store, Wanted()))
    file.write_bytes(b"".join(parquet.parquet_chunks(what.TABLE, iter(blocks))))
    (read,) = parquet.read_parquet(what.TABLE, file)
    for column, values in zip(what.TABLE.columns, zip(*blocks, strict=True), strict=True):
        assert list(read[what.TABLE.index(column.name)]) == list(chain(*values)), column.name


@pytest.mark.usefixtures("person")
def test_full_groups_are_sent_before_the_rows_end(server, monkeypatch):
    with server.engine.connect() as store:
        (block,) = trials.blocks(store, Wanted())
    monkeypatch.setattr(parquet, "_ROWS_A_GROUP", 2 * len(block[0]))
    data = b"".join(parquet.parquet_chunks(trials.TABLE, iter([block] * 3)))
    file = pyarrow.parquet.ParquetFile(io.BytesIO(data))
    groups = [file.metadata.row_group(n).num_rows for n in range(file.num_row_groups)]
    assert groups == [2 * len(block[0]), len(block[0])]


def test_a_file_without_rows_has_no_block(tmp_path):
    file = tmp_path / "empty.parquet"
    file.write_bytes(b"".join(parquet.parquet_chunks(trials.TABLE, iter([]))))
    assert list(parquet.read_parquet(trials.TABLE, file)) == []


def test_another_file_is_refused(tmp_path):
    file = tmp_path / "other.parquet"
    file.write_bytes(b"no such thing")
    with pytest.raises(ValueError, match="is not a Parquet file"):
        list(parquet.read_parquet(trials.TABLE, file))
    file.write_bytes(b"".join(parquet.parquet_chunks(readings.TABLE, iter([]))))
    with pytest.raises(ValueError, match="holds other columns than trials have"):
        list(parquet.read_parquet(trials.TABLE, file))


THINGS = Table(
    name="things",
    title="Things",
    columns=(
        Column("thing_id", "id", "the thing"),
        Column("lengths_mm", "decimals", "several lengths", "mm"),
        Column("flags", "words", "several words"),
        Column("length_mm", "decimal", "one length", "mm"),
        Column("at", "moment", "when"),
        Column("late", "truth", "whether it was late"),
    ),
    key=("thing_id",),
)
BLOCK = [
    ["a", "b", "c", "d"],
    ["", "12.5 0.000001", "", "-3"],
    ["ends-swapped late", "", "", "late"],
    ["12.5", None, "-0.000001", None],
    ["2026-03-02T12:00:00.000001Z", None, "2026-03-02T12:00:00.000000Z", None],
    [True, False, False, True],
]


def test_several_values_none_at_all_and_what_is_missing_are_kept_apart(tmp_path):
    file = tmp_path / "things.parquet"
    file.write_bytes(b"".join(parquet.parquet_chunks(THINGS, iter([BLOCK, BLOCK]))))
    found = pyarrow.parquet.read_table(file)
    assert found["flags"].to_pylist()[:4] == [["ends-swapped", "late"], [], [], ["late"]]
    assert [len(each) for each in found["lengths_mm"].to_pylist()] == [0, 2, 0, 1] * 2
    found.validate(full=True)
    (block,) = parquet.read_parquet(THINGS, file)
    assert [list(column) for column in block] == [[*column, *column] for column in BLOCK]
