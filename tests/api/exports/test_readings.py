"""A reading's row as it is pulled: as it was sent, with what ran then."""

from __future__ import annotations

from api.exports import readings
from api.exports.wanted import Wanted
from tests.api.bench import Person
from tests.api.exports.pulled import FORMULA, body, rows

ALL = Wanted()


def pulled(engine, wanted=ALL, **more):
    with engine.connect() as store:
        return [
            dict(zip(readings.TABLE.header, row, strict=True))
            for block in readings.blocks(store, wanted, **more)
            for row in zip(*block, strict=True)
        ]


def test_readings_are_told_as_sent_whatever_became_of_them(person):
    person.post("/api/benches/main/take-back")
    found = rows(body(person, "/api/readings.csv"))
    assert [row["sent"] for row in found][:2] == ["0.475", "0.482"]
    assert len(found) == 9
    assert {row["machine"] for row in found} == {"'" + FORMULA, "Sled"}
    assert [row["reading_mm"] for row in found[3:5]] == ["13.0302", "13.013944"]
    person.post(f"/api/series/{found[-1]['series_id']}/finish")
    person.press("99")
    last = rows(body(person, "/api/readings.csv"))[-1]
    assert (last["sent"], last["series_id"], last["machine"]) == ("99", "", "")


def test_a_store_without_readings_has_no_rows(engine):
    assert pulled(engine) == pulled(engine, Wanted(after=0)) == pulled(engine, by_moment=True) == []


def test_readings_come_bench_by_bench_or_else_by_the_moment_taken(client, server):
    one, other = Person(client, "main"), Person(client, "side")
    one.press("12.30", taken_at="2026-03-02T09:00:00Z")
    other.press("12.31", taken_at="2026-03-02T08:00:00Z")
    one.press("12.32", taken_at="2026-03-02T07:00:00Z")
    assert [r["sent"] for r in pulled(server.engine)] == ["12.30", "12.32", "12.31"]
    assert [r["sent"] for r in pulled(server.engine, by_moment=True)] == ["12.32", "12.31", "12.30"]


def test_a_reading_of_no_series_has_no_machine_and_is_of_no_method(client, server):
    Person(client).press("12.30", late=True)
    (row,) = pulled(server.engine)
    assert (row["series_id"], row["machine"], row["method"]) == (None, None, None)
    assert (row["bench"], row["seq"], row["origin"]) == ("main", 1, "button")
    assert row["late"] is True
    assert pulled(server.engine, Wanted(method="reversal")) == []
