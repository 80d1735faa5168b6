"""Readings that no trial holds are all named, each with why it does not count."""

from __future__ import annotations

from datetime import datetime, timedelta
from uuid import UUID

import pytest
from sqlalchemy import Engine, event

from api.answers.uncounted import uncounted
from api.store.journal import Journal
from capture.records import TakeBack
from tests.api.bench import Person
from tests.api.conftest import ON_BOTH
from tests.api.entries import new_series, reading


@pytest.fixture
def person(client) -> Person:
    return Person(client)


@pytest.fixture
def journal(engine: Engine) -> Journal:
    return Journal(engine)


@ON_BOTH
def test_nothing_that_was_heard_is_lost_and_each_says_why_it_does_not_count(person):
    series = person.start()
    (first,) = person.press("12.30")
    again = (datetime.fromisoformat(first["taken_at"]) + timedelta(milliseconds=90)).isoformat()
    (twin,) = person.press("12.30", taken_at=again)
    (second,) = person.press("12.41")
    (third,) = person.press("12.31")
    (jaws,) = person.press("0.00")
    person.post("/api/benches/main/take-back", {"reading": second["id"]})
    person.post(f"/api/series/{series}/finish")
    person.press("99.99")
    found = person.series(series)["aside"]
    assert [(a["id"], a["why"]) for a in found] == [
        (twin["id"], "bounced"),
        (second["id"], "taken back"),
        (third["id"], "taken back"),
        (jaws["id"], "closed jaws"),
    ]
    assert {(a["caliper"], a["origin"]) for a in found} == {("six-inch", "button")}


def test_a_repeat_that_was_real_stands_again_once_restored(person):
    series = person.start()
    (first,) = person.press("12.30")
    again = (datetime.fromisoformat(first["taken_at"]) + timedelta(milliseconds=90)).isoformat()
    (twin,) = person.press("12.30", taken_at=again)
    person.post("/api/benches/main/restore", {"reading": twin["id"]})
    assert person.series(series)["aside"] == []
    assert person.sent(series) == [["12.30", "12.30"]]


def _aside(engine: Engine, series: UUID) -> list[tuple[UUID, str]]:
    with engine.connect() as store:
        return [(each.reading.id, each.why) for each in uncounted(store, series)]


def test_where_every_reading_counts_there_is_none(engine, journal):
    series = journal.start(new_series(journal.add_machine("Saw", "other")))
    assert _aside(engine, series) == []
    journal.keep([reading("12.30"), reading("12.40"), reading("12.30")])
    assert _aside(engine, series) == []
    assert _aside(engine, UUID(int=1)) == []


def test_closed_jaws_with_nothing_to_take_back_are_named_too(engine, journal):
    series = journal.start(new_series(journal.add_machine("Saw", "other")))
    jaws = reading("0.00")
    journal.keep([jaws])
    assert _aside(engine, series) == [(jaws.id, "closed jaws")]


@ON_BOTH
def test_what_another_series_on_the_bench_set_aside_is_not_this_ones(engine, journal):
    machine = journal.add_machine("Saw", "other")
    first = journal.start(new_series(machine))
    gone = reading("12.30")
    journal.keep([gone])
    journal.act("main", TakeBack())
    second = journal.start(new_series(machine))
    twice = [reading("12.30"), reading("12.30", pause_ms=90)]
    journal.keep(twice)
    journal.finish(second)
    journal.resume(first)
    late = reading("0.00")
    journal.keep([late])
    assert _aside(engine, first) == [(gone.id, "taken back"), (late.id, "closed jaws")]
    assert _aside(engine, second) == [(twice[1].id, "bounced")]


@ON_BOTH
def test_a_strip_that_was_moved_here_names_what_was_taken_back_of_it_here(person, engine):
    first = person.start()
    ids = [each["id"] for each in person.press("12.30", "12.41", "12.30", "12.42")]
    made = person.post(f"/api/series/{first}/trials/2/move", {})["id"]
    assert _aside(engine, UUID(first)) == _aside(engine, UUID(made)) == []
    person.post(f"/api/readings/{ids[3]}/take-back")
    assert _aside(engine, UUID(first)) == []
    assert _aside(engine, UUID(made)) == [(UUID(ids[3]), "taken back")]


def test_where_each_press_is_in_a_trial_the_log_is_not_replayed(person, engine):
    series = person.start()
    person.press("12.30", "12.41", "12.30")
    asked: list[str] = []
    with engine.connect() as store:
        event.listen(store, "before_cursor_execute", lambda *told: asked.append(told[2]))
        assert uncounted(store, UUID(series)) == ()
    # A replay reads every press; of 250 strips that took a fifth of the time of their page.
    assert not [sql for sql in asked if "readings.sent" in sql]
