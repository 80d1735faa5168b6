"""Events are read in their order, those of one bench at a time."""

from __future__ import annotations

from dataclasses import replace
from uuid import UUID

import pytest
from sqlalchemy import Engine
from sqlalchemy.exc import NoResultFound

from api.store.journal import Journal
from api.store.rows import events
from api.store.rows.benches import bench
from capture.records import Refusal
from tests.api.entries import NOON, reading


@pytest.fixture
def journal(engine: Engine) -> Journal:
    return Journal(engine)


def test_before_anything_happened_there_is_nothing_to_read(engine):
    with engine.connect() as store:
        assert events.last_event_id(store) == 0
        assert events.events_after(store, "main", 0) == []
        assert events.last_of_kind(store, 1, "reading") is None


def test_a_reader_goes_on_after_the_last_event_it_saw(engine, journal):
    pressed = [reading(f"12.{n}0") for n in range(4)]
    for each in pressed:
        journal.keep([each, replace(each, id=UUID(int=each.id.int + 10**9), bench="side")])
    with engine.connect() as store:
        first = events.events_after(store, "main", 0, limit=3)
        rest = events.events_after(store, "main", first[-1].id, limit=3)
        assert [e.subject for e in first] == [r.id for r in pressed[:3]]
        assert [e.subject for e in rest] == [pressed[3].id]
        assert events.events_after(store, "main", rest[-1].id) == []
        assert events.events_after(store, "nobody's", 0) == []
        side = events.events_after(store, "side", 0)
        assert len(side) == 4
        assert events.last_event_id(store) == max(rest[-1].id, side[-1].id)


def test_the_last_of_a_kind_is_that_of_the_bench(engine, journal):
    first, second, beside = reading("12.30"), reading("12.31"), reading("9", bench="side")
    for each in (first, second, beside):
        journal.keep([each])
    with engine.connect() as store:
        of_main = bench(store, "main").id
        assert events.last_of_kind(store, of_main, "reading").subject == second.id
        assert events.last_of_kind(store, of_main, "refusal") is None


def test_a_reading_and_a_refusal_name_their_caliper_and_bench(engine, journal):
    kept = reading("12.30", bench="side")
    refused = Refusal(UUID(int=5), "side", "new one", "Err\\x00", "no reading", NOON)
    journal.keep([kept])
    journal.refuse(refused)
    with engine.connect() as store:
        row = events.readings(store, [kept.id])[kept.id]
        assert (row.caliper, row.bench, row.sent, row.taken_at) == (
            *("six-inch", "side", "12.30"),
            kept.taken_at,
        )
        row = events.refusal(store, refused.id)
        assert (row.caliper, row.bench, row.raw, row.reason) == (
            *("new one", "side", "Err\\x00"),
            "no reading",
        )
        assert events.readings(store, [UUID(int=1)]) == {}
        with pytest.raises(NoResultFound):
            events.refusal(store, UUID(int=1))
