"""Loading old notebooks over HTTP: all or nothing, tried first, completed by the address."""

from __future__ import annotations

import pytest

from tests.api.notebooks import load, page


def test_strict_takes_all_or_nothing(client):
    refused = load(client, page("faulty.csv"), 422, strict=True)
    assert len(refused["errors"]) == 11
    assert refused["errors"][0]["field"] == "line 3"
    assert client.get("/api/machines").json() == []
    assert load(client, page("inches.csv"), strict=True)["trials"] == 5


def test_a_dry_run_tells_the_same_and_stores_nothing(client):
    dry = load(client, page("faulty.csv"), dry_run=True)
    assert client.get("/api/machines").json() == []
    wet = load(client, page("faulty.csv"))
    assert dry["refused"] == wet["refused"]
    assert (dry["trials"], dry["readings"]) == (wet["trials"], wet["readings"]) == (2, 4)


def test_what_the_address_says_stands_for_columns_that_the_file_has_not(client):
    sheet = "date,part\n03.05.2024,412.1\n"
    asked = {"machine": "Saw", "method": "stop-block", "unit": "mm", "dates": "dmy"}
    (series,) = load(client, sheet, **asked)["series"]
    found = client.get(f"/api/series/{series}").json()
    assert (found["machine"]["name"], found["method"], found["unit"]) == ("Saw", "stop-block", "mm")
    assert found["trials"][0]["length_mm"] == 412.1
    assert found["trials"][0]["taken_at"].startswith("2024-05-03")


def test_a_column_that_nothing_reads_is_told(client):
    sheet = "date,machine,method,unit,part,weather\n2024-05-03,Saw,stop-block,mm,412.1,dry\n"
    done = load(client, sheet)
    assert (done["trials"], done["unused_columns"]) == (1, ["weather"])


def test_nothing_at_all_is_refused_as_the_body(client):
    assert load(client, b"", 422)["errors"][0]["field"] == "body"


@pytest.mark.parametrize(
    "asked",
    [{"unit": "cm"}, {"dates": "ydm"}, {"strip_side": "up"}, {"machine": "x" * 300}],
    ids=lambda asked: next(iter(asked)),
)
def test_a_parameter_that_cannot_be_is_named_and_nothing_taken(client, asked):
    (field,) = asked
    assert load(client, page("inches.csv"), 422, **asked)["errors"][0]["field"] == field
    assert client.get("/api/machines").json() == []
