"""Series that are over are stored whole: as if they had been measured now, all or none."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest
from sqlalchemy import Engine, select, text
from sqlalchemy.exc import IntegrityError

from api.store import doctor
from api.store.journal import Journal
from api.store.new_series import PastSeries
from api.store.tables import Machine
from tests.api.entries import NOON, new_series, reading

BENCH = "imported"


def past(
    *sent: str, bench: str = BENCH, machine: str = "Window saw", key: str = "reversal"
) -> PastSeries:
    readings = [
        replace(reading(each, bench=bench), taken_at=NOON + timedelta(seconds=4 * n))
        for n, each in enumerate(sent)
    ]
    began = NOON - timedelta(seconds=1)
    new = new_series(UUID(int=0), bench, key)
    return PastSeries(machine, "miter saw", new, readings, began, readings[-1].taken_at)


def three(bench: str = BENCH) -> list[PastSeries]:
    return [
        past("12.30", "12.40", "12.31", "12.45", bench=bench),
        past("0.01", "12.30", "12.30", "12.40", bench=bench, machine="Sled"),
        past("12.30", "12.31", "12.40", "12.41", "12.42", bench=bench, key="half-turn"),
    ]


def told(engine: Engine, bench: str = BENCH) -> list[list[Any]]:
    """The log, the events and the trials of a bench, without ids and the moments of storing."""
    with engine.connect() as connection:
        return [
            [tuple(map(str, row)) for row in connection.execute(text(question), {"bench": bench})]
            for question in (
                "SELECT last_seq, series_id FROM benches WHERE name = :bench",
                "SELECT seq, kind, layout, at FROM acts"
                " JOIN benches b ON b.id = bench_id WHERE name = :bench ORDER BY seq",
                "SELECT seq, sent, unit, nm, taken_at, origin, since_previous_ms, late"
                " FROM readings JOIN benches b ON b.id = bench_id WHERE name = :bench ORDER BY seq",
                "SELECT kind, data FROM events e"
                " JOIN benches b ON b.id = bench_id WHERE name = :bench ORDER BY e.id",
                "SELECT s.started_at, s.finished_at, m.name, m.kind, s.method, s.baseline_nm,"
                " t.number, t.state, t.flags, t.taken_at, t.readings_mm, t.angle_deg, t.calipers"
                " FROM trials t JOIN series s ON s.id = t.series_id"
                " JOIN machines m ON m.id = s.machine_id JOIN benches b ON b.id = s.bench_id"
                " WHERE b.name = :bench ORDER BY s.id, t.number",
            )
        ]


def test_loading_leaves_what_starting_measuring_and_finishing_leave(engine):
    journal = Journal(engine)
    for each in three("main"):
        machine = journal.add_machine(each.machine, each.kind)
        series = journal.start(replace(each.new, machine_id=machine), each.began)
        journal.keep(each.readings)
        journal.finish(series, each.ended)
    assert len(journal.load(BENCH, three())) == 3
    measured, loaded = told(engine, "main"), told(engine)
    assert loaded == measured
    assert all(loaded)
    with engine.connect() as store:
        assert list(doctor.findings(store)) == []


def test_all_are_stored_or_none_and_loading_again_stores_all(engine):
    journal, series = Journal(engine), three()
    faulty = replace(series[2].new, inset=None)  # type: ignore[arg-type]
    with pytest.raises(IntegrityError):
        journal.load(BENCH, [*series[:2], series[2]._replace(new=faulty)])
    with engine.connect() as connection:
        assert connection.scalars(select(Machine.name)).all() == []
    assert told(engine) == [[], [], [], [], []]
    assert len(journal.load(BENCH, series)) == 3


def test_what_is_known_is_not_stored_again(engine):
    journal, series = Journal(engine), three()
    journal.load(BENCH, series[:1])
    before = told(engine)
    assert journal.load(BENCH, series[:1]) == []
    assert told(engine) == before
    assert len(journal.load(BENCH, series)) == 2


def test_a_series_that_runs_on_the_bench_is_finished_first(engine):
    journal = Journal(engine)
    machine = journal.add_machine("Window saw", "other")
    journal.start(new_series(machine, BENCH))
    assert len(journal.load(BENCH, three()[:1])) == 1
    with engine.connect() as connection:
        kinds = connection.scalars(text("SELECT kind FROM acts ORDER BY seq")).all()
    assert kinds == ["start", "finish", "start", "finish"]
    assert told(engine)[0] == [("8", "None")]
