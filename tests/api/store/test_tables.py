"""Moments and lists of texts come out of either engine as they went in."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone

import pytest
from sqlalchemy import Column, Connection, Engine, Integer, MetaData, Table, insert, select
from sqlalchemy.exc import StatementError

from api.store.tables import Moment, Texts, texts_read

_KEPT = Table(
    "kept_for_a_test",
    MetaData(),
    Column("id", Integer, primary_key=True),
    Column("at", Moment),
    Column("said", Texts),
)


@pytest.fixture
def connection(engine: Engine) -> Iterator[Connection]:
    with engine.connect() as made:
        _KEPT.create(made)
        yield made


@pytest.mark.parametrize(
    "at",
    [
        None,
        datetime(2026, 3, 2, 12, tzinfo=UTC),
        datetime(2026, 3, 2, 12, 0, 0, 1, UTC),
        datetime(2026, 1, 1, 0, 30, tzinfo=timezone(timedelta(hours=1))),
        datetime(1970, 1, 1, tzinfo=UTC),
        datetime(2199, 12, 31, 23, 59, 59, 999_999, timezone(timedelta(hours=-7))),
    ],
)
def test_a_moment_comes_back_the_same_and_in_utc(connection, at):
    connection.execute(insert(_KEPT).values(at=at))
    found = connection.scalar(select(_KEPT.c.at))
    assert found == at
    assert found is None or found.utcoffset() == timedelta(0)


def test_a_moment_without_a_zone_is_refused(connection):
    with pytest.raises(StatementError, match="has no time zone"):
        connection.execute(insert(_KEPT).values(at=datetime(2026, 3, 2, 12)))


def test_moments_are_compared_and_sorted_as_moments_whatever_their_zones(connection):
    noon = datetime(2026, 3, 2, 12, tzinfo=UTC)
    east = timezone(timedelta(hours=10))
    moments = [noon + timedelta(microseconds=n) for n in (2, 0, 1)] + [
        (noon + timedelta(seconds=-1)).astimezone(east)
    ]
    connection.execute(insert(_KEPT), [{"at": at} for at in moments])
    found = connection.scalars(select(_KEPT.c.at).order_by(_KEPT.c.at)).all()
    assert found == sorted(moments)
    before = select(_KEPT.c.at).where(_KEPT.c.at < noon.astimezone(east))
    assert connection.scalars(before).all() == [noon + timedelta(seconds=-1)]


@pytest.mark.parametrize(
    "said",
    [
        None,
        (),
        ("late",),
        ("",),
        ("b", "a", "b"),
        ('a "quoted", comma', "[]", "Süd \U0001f4cf\n"),
    ],
)
def test_texts_come_back_in_their_order_with_any_content(connection, said):
    connection.execute(insert(_KEPT).values(said=said))
    assert connection.scalar(select(_KEPT.c.said)) == said


@pytest.mark.parametrize("written", ["", "late", '"late"', '{"late": 1}', "7", '["late"'])
def test_what_is_no_list_is_not_taken_for_texts(written):
    with pytest.raises(ValueError, match=r"is not a list|line 1"):
        texts_read(written)
