"""A store moves to another database without losing or changing a row."""

from __future__ import annotations

from collections.abc import Iterator
from uuid import UUID

import pytest
from sqlalchemy import Engine, text

from api.server import Server
from api.settings import Settings
from api.store import doctor, migrations, moving, schema_step
from api.store.engine import StoreError, open_engine, sqlite_file_url
from api.store.journal import Journal
from api.store.moving import move
from api.store.tables import Bench
from capture.records import SwapEnds
from tests.api.stores import correct, digests, fill


@pytest.fixture
def filled(engine: Engine) -> Engine:
    fill(engine)
    return engine


@pytest.fixture(params=["sqlite", "postgresql"])
def target(request: pytest.FixtureRequest, tmp_path) -> Iterator[Engine]:
    if request.param == "sqlite":
        made = open_engine(sqlite_file_url(tmp_path / "target.sqlite"))
    else:
        server = request.getfixturevalue("postgres_server")
        made = open_engine(server.url(server.new_database()))
    yield made
    made.dispose()


def test_every_row_arrives_as_it_was(filled, target):
    correct(filled)
    counts = move(filled, target)
    assert digests(target) == digests(filled)
    assert (counts["readings"], counts["machines"], counts["acts"]) == (16, 2, 13)
    with target.connect() as connection:
        assert list(doctor.findings(connection)) == []


def test_what_was_moved_goes_on_where_it_was(filled, target, tmp_path):
    move(filled, target)
    server = Server(
        Settings(data=tmp_path / "new", db=target.url.render_as_string(hide_password=False))
    )
    try:
        events = server.bench("main").last_event
        following = server.bench("main").next
        assert following is not None
        assert (following.at.trial, following.place.key) == (2, "open end")
        # New benches, calipers and events get numbers after those that were copied.
        server.journal.act("main", SwapEnds())
        server.journal.add_machine("Third saw", "other")
        assert server.bench("main").last_event > events
        with server.reading() as store:
            assert list(doctor.findings(store)) == []
    finally:
        server.close()


def test_an_interrupted_move_goes_on_and_no_server_opens_the_half_store(
    filled, target, monkeypatch
):
    monkeypatch.setattr(moving, "_ROWS", 3)
    arrived: list[tuple[str, int]] = []

    class PlugPulled(Exception):
        pass

    def pulled(table: str, done: int, _whole: int) -> None:
        arrived.append((table, done))
        if (table, done) == ("readings", 9):
            raise PlugPulled

    with pytest.raises(PlugPulled):
        move(filled, target, pulled)
    with pytest.raises(StoreError, match="being filled by bothends move"):
        migrations.upgrade(target)

    del arrived[:]
    move(filled, target, lambda table, done, _whole: arrived.append((table, done)))
    # Those that were there are not sent again.
    assert [done for table, done in arrived if table == "readings"] == [9, 12, 15, 16]
    assert digests(target) == digests(filled)
    migrations.upgrade(target)


def test_what_was_written_between_two_attempts_arrives_too(filled, target):
    def pulled(table: str, done: int, whole: int) -> None:
        if (table, done) == ("events", whole):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        move(filled, target, pulled)
    journal = Journal(filled)
    # Changes rows that have arrived, adds one whose id sorts before those that have.
    journal.act("main", SwapEnds())
    with filled.begin() as connection:
        connection.execute(
            text(
                "INSERT INTO setup_changes (id, machine_id, kind, at, note, recorded_at)"
                " SELECT :id, machine_id, kind, at, note, recorded_at FROM setup_changes"
            ),
            {"id": UUID(int=1) if filled.dialect.name == "postgresql" else UUID(int=1).hex},
        )
    move(filled, target)
    assert digests(target) == digests(filled)


def test_a_target_that_holds_something_is_not_touched(filled, target, tmp_path):
    migrations.upgrade(target)
    fill(target)
    before = digests(target)
    with pytest.raises(StoreError, match="holds a store already"):
        move(filled, target)
    assert digests(target) == before

    other = open_engine(sqlite_file_url(tmp_path / "other.sqlite"))
    migrations.upgrade(other)
    with target.begin() as connection:
        connection.execute(
            text("UPDATE alembic_version SET version_num = :m"),
            {"m": schema_step.moving_mark(other)},
        )
    with pytest.raises(StoreError, match="holds a store already"):
        move(filled, target)
    other.dispose()
    with pytest.raises(StoreError, match="there already"):
        move(filled, filled)


def test_the_digest_of_a_row_tells_every_column_apart(filled):
    with filled.connect() as connection:
        before = moving.digest(connection, Bench.__table__)
        connection.execute(text("UPDATE benches SET last_seq = last_seq + 1 WHERE name = 'side'"))
        assert moving.digest(connection, Bench.__table__) != before
        connection.rollback()
