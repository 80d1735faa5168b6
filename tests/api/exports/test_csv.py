"""CSV as RFC 4180 has it: each published case, written by the exports and read back."""

from __future__ import annotations

import csv
import io

import pytest

from api.exports.columns import Column, Table
from api.exports.csv import cell, csv_chunks
from tests.analysis.published import case, cases

READ = ("rfc4180-1-2-records", "rfc4180-4-spaces", "rfc4180-5-quoted", "rfc4180-7-double-quote")


def test_no_published_case_is_left_out():
    assert {c.id for c in cases("csv")} == {*READ, "rfc4180-must-quote", "rfc4180-mime"}


@pytest.mark.parametrize("name", READ)
def test_what_the_standard_shows_is_written_so_that_it_reads_back(name):
    inputs, expected, _ = case(name)
    texts = inputs["text"] if isinstance(inputs["text"], list) else [inputs["text"]]
    for text in texts:
        assert list(csv.reader(io.StringIO(text, newline=""))) == expected["records"]
    width = len(expected["records"][0])
    table = Table("t", "t", tuple(Column(f"c{n}", "name", "") for n in range(width)), ())
    block = [list(column) for column in zip(*expected["records"], strict=True)]
    written = b"".join(csv_chunks(table, iter([block]))).decode()
    head, _, body = written.partition("\r\n")
    assert head == ",".join(table.header)
    assert list(csv.reader(io.StringIO(body, newline=""))) == expected["records"]
    assert body.endswith("\r\n")
    assert "\n" not in body.replace("\r\n", "")


def test_only_what_must_be_quoted_is_quoted():
    inputs, expected, _ = case("rfc4180-must-quote")
    assert ",".join(cell(field) for field in inputs["fields"]) == expected["written"]


def test_the_media_type_is_the_registered_one(client):
    _, expected, _ = case("rfc4180-mime")
    media, *parameters = client.get("/api/trials.csv").headers["content-type"].split("; ")
    assert media == expected["media_type"]
    assert {p.partition("=")[0] for p in parameters} == set(expected["optional_parameters"])
    assert "header=present" in parameters


@pytest.mark.parametrize("name", ["=1+1", "+1+1", "-1+1", "@A1", "＝1", "-", "- 5", "=", "+-5"])
def test_whatever_begins_like_a_formula_is_made_harmless(name):
    from api.exports.csv import cell

    assert cell(name) == f"'{name}"


@pytest.mark.parametrize("name", ["5", "-5", "+0.5", "-.5 -6", "Saw", "a=b", "", "'=x"])
def test_what_is_harmless_is_left_as_it_is(name):
    from api.exports.csv import cell

    assert cell(name) == name
