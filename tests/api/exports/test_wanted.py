"""What is asked for narrows a query, and rows come in blocks."""

from __future__ import annotations

from uuid import UUID

import pytest
from sqlalchemy import func, select

from api.exports.columns import BLOCK
from api.exports.wanted import Wanted, fetch
from api.store.stamps import now
from api.store.tables import Event, Machine, Series
from tests.api.stores import fill


def test_series_are_narrowed_by_machine_and_by_method(engine):
    fill(engine)
    with engine.connect() as store:
        ids = {name: key for key, name in store.execute(select(Machine.id, Machine.name))}

        def count(**asked):
            query = Wanted(**asked).of_series(select(func.count()).select_from(Series))
            return store.scalar(query)

        assert count() == 3
        assert count(machine=ids["Window saw"]) == 2
        assert count(machine=ids["Blue sled"], method="reversal") == 1
        assert count(machine=ids["Blue sled"], method="roll") == 0
        assert count(machine=UUID(int=7)) == 0


def test_subjects_are_those_of_later_events_of_the_kind(engine):
    fill(engine)
    with engine.connect() as store:

        def subjects(after):
            return store.scalars(Wanted(after=after).subjects_of("reading")).all()

        events = store.scalars(
            select(Event.id).where(Event.kind == "reading").order_by(Event.id)
        ).all()
        assert len(subjects(None)) == len(subjects(0)) == len(events) == 16
        assert len(subjects(events[0])) == 15
        assert subjects(events[-1]) == []


@pytest.mark.parametrize(
    ("rows", "blocks"), [(0, []), (1, [1]), (BLOCK, [BLOCK]), (BLOCK + 1, [BLOCK, 1])]
)
def test_rows_come_by_column_in_blocks(engine, rows, blocks):
    numbers = select(func.row_number().over()).select_from(Machine)
    with engine.begin() as store:
        if rows:
            store.execute(
                Machine.__table__.insert(),
                [
                    {"id": UUID(int=n), "name": f"{n}", "kind": "other", "created_at": now()}
                    for n in range(rows)
                ],
            )
        found = list(fetch(store, numbers))
    assert [len(block[0]) for block in found] == blocks
    assert sorted(n for (column,) in found for n in column) == list(range(1, rows + 1))
