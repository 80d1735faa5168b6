"""What is written while a pull reads is not in it."""

from __future__ import annotations

from contextlib import closing

import pytest
from sqlalchemy import func, select, text
from sqlalchemy.exc import DBAPIError

from api.exports.snapshot import snapshot
from api.store.journal import Journal
from api.store.tables import Machine

COUNT = select(func.count()).select_from(Machine)


def test_all_queries_see_the_store_as_of_the_first(engine):
    journal = Journal(engine)
    with closing(snapshot(engine)) as reading:
        journal.add_machine("before", "other")
        assert reading.scalar(COUNT) == 1
        journal.add_machine("meanwhile", "other")
        assert reading.scalar(COUNT) == 1
    with closing(snapshot(engine)) as reading:
        assert reading.scalar(COUNT) == 2


def test_the_next_user_of_a_server_connection_may_write_again(engine):
    with closing(snapshot(engine)) as reading:
        reading.scalar(COUNT)
        if engine.dialect.name == "postgresql":
            with pytest.raises(DBAPIError, match="read-only"):
                reading.execute(text("DELETE FROM machines"))
    assert Journal(engine).add_machine("after", "other")
