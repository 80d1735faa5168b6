"""Readings as SenML, against the published packs."""

from __future__ import annotations

import json
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from api.exports import senml
from tests.api.exports.pulled import body, rows

PUBLISHED = json.loads((Path(__file__).parents[3] / "fixtures" / "published.json").read_text())


def published(name: str) -> Any:
    return next(case for case in PUBLISHED if case["id"] == name)


def resolved(pack: list[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    """A pack's records on their own (RFC 8428, 4.6), written from the text of the RFC."""
    base: dict[str, Any] = {}
    for record in pack:
        base |= {k: v for k, v in record.items() if k in ("bn", "bt", "bu", "bver")}
        yield {
            "n": base.get("bn", "") + record.get("n", ""),
            "u": record.get("u", base.get("bu")),
            "t": base.get("bt", 0) + record.get("t", 0),
            "v": record["v"],
        }


@pytest.mark.parametrize("name", ["senml-5.1.2-base-values", "senml-5.1.6-two-base-names"])
def test_the_reader_that_judges_our_packs_reads_the_published_ones(name):
    case = published(name)
    for mine, theirs in zip(
        resolved(case["inputs"]["pack"]), case["expected"]["resolved"], strict=True
    ):
        assert (mine["n"], mine["u"], mine["v"]) == (theirs["n"], theirs["u"], theirs["v"])
        assert mine["t"] == pytest.approx(theirs["t"], abs=case["tolerance"]["abs"])


def test_senml_says_metres_exactly_in_the_order_of_time(person):
    answer = person.client.get("/api/readings.senml")
    assert answer.headers["content-type"] == "application/senml+json"
    pack = json.loads(answer.content, parse_float=Decimal, parse_int=Decimal)
    same = {row["reading_id"]: row for row in rows(body(person, "/api/readings.csv"))}
    found = list(resolved(pack))
    assert len(found) == len(same) == 9
    assert [r["t"] for r in found] == sorted(r["t"] for r in found)
    for record, plain in zip(pack, found, strict=True):
        row = same[record["reading_id"]]
        assert plain["v"] == Decimal(row["reading_mm"]) / 1000
        # RFC 8428, 12.1: the registry has the metre and no millimetre.
        assert plain["u"] == published("senml-units")["expected"]["metre"]
        assert all(c.isascii() and (c.isalnum() or c in "-:./_") for c in plain["n"])
    assert {r["n"] for r in found} == {"bothends:main:six-inch", "bothends:main:-six_2c_20inch"}


def test_millimetres_are_written_as_the_published_metres():
    case = published("senml-mm-to-m")
    for mm, m in zip(case["inputs"]["mm"], case["expected"]["m"], strict=True):
        assert float(senml.metres(str(mm))) == m
        assert Decimal(senml.metres(str(mm))) == Decimal(str(mm)) / 1000
    for text, metres in [("0", "0"), ("-0.001", "-0.000001"), ("203.860401", "0.203860401")]:
        assert senml.metres(text) == metres
    assert senml.metres("1000000") == "1000"
    assert senml.metres("-25400") == "-25.4"


def test_two_instruments_never_share_a_senml_name():
    names = [("a", "b:c"), ("a:b", "c"), ("a_3ab", "c"), ("a b", "c"), ("a_20b", "c"), ("ä", "c")]
    assert len({senml.sensor_name(*each) for each in names}) == len(names)


def test_a_senml_moment_is_exact_to_the_microsecond():
    assert senml.seconds("2010-06-08T18:01:16.001000Z") == "1276020076.001"
    assert senml.seconds("1970-01-01T00:00:00.000000Z") == "0"
