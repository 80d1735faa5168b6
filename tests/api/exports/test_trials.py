"""A trial's row as it is pulled, and how the store is asked for it."""

from __future__ import annotations

from datetime import UTC, datetime
from uuid import UUID

import pytest
from sqlalchemy import Engine, text

from api.exports import trials
from api.exports.wanted import Wanted
from api.server import Server
from api.settings import Settings
from capture.records import Away
from tests.api.entries import reading
from tests.api.stores import fill


@pytest.fixture
def filled(engine: Engine) -> Engine:
    fill(engine)
    return engine


def rows(engine, wanted):
    with engine.connect() as store:
        return [
            dict(zip(trials.TABLE.header, row, strict=True))
            for block in trials.blocks(store, wanted)
            for row in zip(*block, strict=True)
        ]


def test_no_pull_sorts_or_scans_what_it_need_not(tmp_path):
    server = Server(Settings(data=tmp_path))
    try:
        with server.engine.connect() as connection:

            def plan(wanted: Wanted) -> str:
                sql = trials._query(connection, wanted).compile(
                    server.engine, compile_kwargs={"literal_binds": True}
                )
                steps = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {sql}")
                return "\n".join(step[-1] for step in steps)

            assert "TEMP B-TREE" not in plan(Wanted())
            assert "SCAN trials USING INDEX" in plan(Wanted())
            new = plan(Wanted(after=7))
            assert "SEARCH trials" in new
            assert "SEARCH events USING INDEX ix_events_kind_id" in new
    finally:
        server.close()


def test_a_store_without_trials_has_no_rows(engine):
    assert rows(engine, Wanted()) == rows(engine, Wanted(after=0)) == []


def test_each_trial_stands_with_its_series_in_the_order_of_both(filled):
    found = rows(filled, Wanted())
    assert [(r["machine"], r["number"], r["readings_mm"]) for r in found] == [
        ("Window saw", 1, "12.065 12.2428"),
        ("Window saw", 2, "13.208 13.0302"),
        ("Blue sled", 1, "12.3 12.4"),
        ("Blue sled", 2, "12.36 12.41"),
        ("Blue sled", 3, "12.5 12.5"),
        ("Window saw", 1, "12.0904 12.2428"),
        ("Window saw", 2, "13.1826"),
    ]
    assert [r["state"] for r in found] == ["complete"] * 6 + ["open"]
    assert [r["baseline_mm"] for r in found[1:3]] == ["203.8604", "200"]
    assert [r["caliper"] for r in found[:3]] == ["main caliper"] * 2 + ["side caliper"]


def test_with_a_moment_and_a_cursor_older_trials_come_as_gone(filled):
    moment = datetime(2026, 3, 2, 12, 0, 40, tzinfo=UTC)
    later = rows(filled, Wanted(since=moment))
    assert 0 < len(later) < 7
    both = rows(filled, Wanted(since=moment, after=0))
    assert [r["trial_id"] for r in both if r["state"] != "gone"] == [r["trial_id"] for r in later]
    assert len(both) == 7


def test_a_machine_or_method_that_has_none_has_no_rows(filled):
    assert rows(filled, Wanted(machine=UUID(int=5))) == []
    assert rows(filled, Wanted(method="roll")) == []
    assert len(rows(filled, Wanted(method="reversal"))) == 7


def test_a_strip_says_its_visit_to_the_stop_in_exports_and_the_view(engine):
    journal = fill(engine)
    journal.act("side", Away())
    journal.keep([reading("12.40", bench="side"), reading("12.45", bench="side")])
    found = {
        r["trial_id"]: (r["stop"], r["nominal_deg"], r["visit"]) for r in rows(engine, Wanted())
    }
    assert sorted(visit for *_, visit in found.values()) == [1] * 7 + [2]
    with engine.connect() as store:
        view = store.execute(text("SELECT trial_id, stop, nominal_deg, visit FROM trial_history"))
        assert {str(r.trial_id): (r.stop, float(r.nominal_deg), r.visit) for r in view} == found
