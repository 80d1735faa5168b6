"""Commits of other processes are noticed, also those of before and after an outage."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from uuid import UUID

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.exc import TimeoutError as NoConnectionFree

from api.store.engine import CHANNEL, open_engine
from api.store.journal import Journal
from api.store.tables import Bench
from api.store.watch import Watch
from capture.records import Refusal
from tests.ptys import until

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


class Heard:
    """How often a commit was told."""

    def __init__(self) -> None:
        self.times = 0
        self.benches: list[Collection[int] | None] = []

    def __call__(self, benches: Collection[int] | None) -> None:
        self.times += 1
        self.benches.append(benches)


@contextmanager
def watching(engine: Engine) -> Iterator[tuple[Watch, Heard]]:
    heard = Heard()
    watch = Watch(engine, heard)
    try:
        yield watch, heard
    finally:
        watch.stop()
        watch._thread.join(30)
        assert not watch._thread.is_alive()


@pytest.fixture
def other(store_url: str) -> Iterator[Journal]:
    """Another program's journal on the same store."""
    engine = open_engine(store_url)
    yield Journal(engine)
    engine.dispose()


def say(journal: Journal, number: int) -> None:
    journal.refuse(Refusal(UUID(int=number), "main", "six inch", "what?", "no number", NOON))


def test_a_watch_tells_at_its_beginning_what_it_may_have_missed(engine):
    with watching(engine) as (_, heard):
        assert until(lambda: heard.times > 0)


def test_a_watch_that_gets_no_connection_tries_again(engine, monkeypatch):
    """Where all are in use for as long as the pool waits."""
    connect, tries = engine.connect, []

    def busy():
        tries.append(None)
        if len(tries) == 1:
            raise NoConnectionFree("none is free")
        return connect()

    monkeypatch.setattr(engine, "connect", busy)
    with watching(engine) as (_, heard):
        assert until(lambda: heard.times > 0)
    assert len(tries) == 2


def test_each_commit_of_another_program_is_told(engine, other):
    with watching(engine) as (_, heard):
        assert until(lambda: heard.times > 0)
        for number in range(1, 4):
            before = heard.times
            say(other, number)
            assert until(lambda before=before: heard.times > before)


def test_a_commit_is_told_with_its_benches_where_the_database_says_them(engine, other):
    with watching(engine) as (_, heard):
        assert until(lambda: heard.times > 0)
        heard.benches.clear()
        say(other, 1)
        with engine.connect() as connection:
            bench = connection.execute(select(Bench.id)).scalar_one()
        assert until(lambda: heard.benches)
        told = {bench} if engine.dialect.name == "postgresql" else None
        assert heard.benches == [told]
        if told:
            with engine.begin() as connection:  # as an earlier version of the program does
                connection.exec_driver_sql(f"NOTIFY {CHANNEL}")
            assert until(lambda: heard.benches[1:])
            assert heard.benches == [told, None]


# A file does not go away by itself.
@pytest.mark.parametrize("store_url", ["postgresql"], indirect=True)
def test_a_store_that_was_away_is_watched_anew(engine, other):
    with watching(engine) as (watch, heard):
        assert until(lambda: heard.times > 0)
        before = heard.times
        _break_off(engine)
        assert watch._thread.is_alive()
        assert until(lambda: heard.times > before, 30)
        before = heard.times
        say(other, 1)
        assert until(lambda: heard.times > before)


def _break_off(engine: Engine) -> None:
    """End the watch's own connection, as a database that is stopped does."""
    with engine.begin() as connection:
        connection.exec_driver_sql(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
            " WHERE query LIKE 'LISTEN%%' AND datname = current_database()"
        )
