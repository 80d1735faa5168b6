"""JSON Lines keep every value exactly, and refuse a line that is of another table."""

from __future__ import annotations

import json
from decimal import Decimal

import pytest

from api.exports.columns import BLOCK, Column, Table
from api.exports.jsonl import jsonl_chunks, read_jsonl
from tests.api.exports.pulled import FORMULA, TRIALS_HEADER, body, rows

TABLE = Table(
    name="things",
    title="One column of each kind",
    columns=(
        Column("id", "id", "a"),
        Column("name", "name", "b"),
        Column("words", "words", "c"),
        Column("count", "integer", "d"),
        Column("angle", "number", "e"),
        Column("length", "decimal", "f", "mm"),
        Column("lengths", "decimals", "g", "mm"),
        Column("late", "truth", "h"),
    ),
    key=("id",),
)
FULL = ("x-1", 'é "1"\n', "ends-swapped late", 3, 0.1, "12.065000", "12.30 -0.5", True)
BARE = ("x-2", None, "", None, None, None, "", False)


def test_json_lines_say_the_same_with_exact_numbers(person):
    lines = body(person, "/api/trials.jsonl").splitlines()
    found = [json.loads(line, parse_float=Decimal) for line in lines]
    for row, same in zip(found, rows(body(person, "/api/trials.csv")), strict=True):
        assert ",".join(row) == TRIALS_HEADER
        assert [str(r) for r in row["readings_mm"]] == same["readings_mm"].split()
        assert str(row["deviation_mm"] or "") == same["deviation_mm"]
        assert [flag.replace(" ", "-") for flag in row["flags"]] == same["flags"].split()
        assert str(row["angle_deg"] if row["angle_deg"] is not None else "") == same["angle_deg"]
    assert found[0]["machine"] == FORMULA
    assert isinstance(found[0]["number"], int)


def block(*made):
    return list(zip(*made, strict=True))


def test_what_is_written_is_read_again_whether_there_or_missing():
    written = b"".join(jsonl_chunks(TABLE, iter([block(FULL, BARE)])))
    assert written.splitlines()[1] == (
        b'{"id":"x-2","name":null,"words":[],"count":null,"angle":null,"length":null,'
        b'"lengths":[],"late":false}'
    )
    assert b'"length":12.065000,"lengths":[12.30,-0.5]' in written
    (read,) = read_jsonl(TABLE, written.splitlines())
    assert list(zip(*read, strict=True)) == [FULL, BARE]


def test_no_rows_are_no_bytes_and_no_block():
    assert list(jsonl_chunks(TABLE, iter([]))) == []
    assert list(read_jsonl(TABLE, [])) == []


@pytest.mark.parametrize(("count", "blocks"), [(BLOCK, [BLOCK]), (BLOCK + 1, [BLOCK, 1])])
def test_rows_are_read_in_blocks(count, blocks):
    lines = b"".join(jsonl_chunks(TABLE, iter([block(*[FULL] * count)]))).splitlines()
    assert [len(read[0]) for read in read_jsonl(TABLE, lines)] == blocks


@pytest.mark.parametrize("line", [b"", b"{", b"[]", b"3", b'{"id":"x-1"}', b"\xff"])
def test_a_line_that_is_no_row_names_the_table(line):
    with pytest.raises(ValueError, match="not a row of things; both ends must be of one version"):
        list(read_jsonl(TABLE, [line]))
