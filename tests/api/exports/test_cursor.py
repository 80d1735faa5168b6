"""A cursor is taken up by the history that it came from, and by no other."""

from __future__ import annotations

import pytest
from sqlalchemy import Engine

from api.exports.cursor import EVENT_KINDS, START, LostCursor, NoCursor, latest, number
from api.store.rows.events import last_event_id
from tests.api.conftest import ON_SQLITE
from tests.api.stores import change, fill

KINDS = EVENT_KINDS["history"]


@pytest.fixture
def filled(engine: Engine) -> Engine:
    fill(engine)
    return engine


def test_a_store_in_which_nothing_happened_begins_at_the_start(engine):
    with engine.connect() as connection:
        assert latest(connection, KINDS) == START
        assert number(connection, START) == 0


def test_a_cursor_stands_for_the_last_event_of_its_kinds(filled):
    with filled.connect() as connection:
        numbers = {kind: number(connection, latest(connection, (kind,))) for kind in KINDS}
        assert number(connection, latest(connection, KINDS)) == max(numbers.values())
        assert numbers["trial"] != numbers["reading"]
        assert 0 < max(numbers.values()) <= last_event_id(connection)


@ON_SQLITE
@pytest.mark.parametrize(
    "text", ["", "1", "00", "0-00000000", "1-0000000", "1-ABCDEF01", " 1-00000000", "1-00000000\n",
             "-1-00000000", "\u0661-00000000", f"1{'0' * 18}-00000000"]
)  # fmt: skip
def test_what_was_never_a_cursor_is_told_apart_from_one_that_is_lost(engine, text):
    with engine.connect() as connection, pytest.raises(NoCursor, match="Link header"):
        number(connection, text)


def test_a_cursor_of_another_history_is_lost(filled):
    with filled.connect() as connection:
        cursor = latest(connection, KINDS)
        at, mark = cursor.split("-")
        for other in (f"{int(at) + 1000}-{mark}", f"{at}-{int(mark, 16) ^ 1:08x}"):
            with pytest.raises(LostCursor, match="without after"):
                number(connection, other)
    # Put back from a backup, the store gives the number to another event.
    change(filled, f"UPDATE events SET at = '2031-05-06 00:00:00' WHERE id = {int(at)}")
    with filled.connect() as connection, pytest.raises(LostCursor):
        number(connection, cursor)
