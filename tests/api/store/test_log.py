"""A bench's log is read back as the entries that were written, series by series."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import count
from uuid import UUID

import pytest
from sqlalchemy import Connection, Engine

from analysis.methods import method
from api.store.journal import Journal
from api.store.log import read_log, read_log_by_series, read_series
from api.store.new_series import NewSeries
from api.store.rows.benches import bench
from capture.records import (
    Entry,
    Finish,
    Layout,
    Press,
    Reading,
    Restore,
    Resume,
    Start,
    SwapEnds,
    TakeBack,
)
from tests.api.stores import without_triggers

_numbers = count(1)
_NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
NOBODY = UUID(int=0)


def reading(nm: int, pause_ms: int | None = 4000, at_bench: str = "main") -> Reading:
    number = next(_numbers)
    return Reading(
        id=UUID(int=number),
        bench=at_bench,
        caliper="six inch",
        sent=f"{nm / 1e6:.2f}",
        unit="mm",
        nm=nm,
        taken_at=_NOON + timedelta(seconds=4 * number),
        since_previous_ms=pause_ms,
        late=number % 2 == 0,
    )


def start(journal: Journal, key: str = "reversal", at_bench: str = "main") -> UUID:
    return journal.start(
        NewSeries(
            machine_id=journal.add_machine("Window saw", "other"),
            bench=at_bench,
            method=method(key),
            unit="mm",
            baseline="200",
            baseline_nm=200_000_000,
            thickness=None,
            thickness_nm=None,
            inset="0",
            inset_nm=0,
            strip_side="left",
            repeats=2,
        )
    )


@pytest.fixture
def journal(engine: Engine) -> Journal:
    return Journal(engine)


def number_of(connection: Connection, name: str = "main") -> int:
    found = bench(connection, name)
    assert found is not None
    return found.id


def test_every_kind_of_entry_comes_back_as_it_was_said(journal, engine):
    series = start(journal)
    first, bounce, second = reading(12_300_000), reading(12_300_000, 80), reading(12_400_000)
    journal.keep([first, bounce, second])
    acts: list[Entry] = [Restore(bounce.id), TakeBack(), TakeBack(first.id), SwapEnds(1)]
    for act in acts:
        journal.act("main", act)
    journal.finish(series)
    journal.resume(series)
    with engine.connect() as connection:
        entries = list(read_log(connection, number_of(connection)))
    layout = Layout(places=2, repeats=2, swap=(1, 0), closed_jaws=True)
    assert entries[:4] == [Start(series, layout), Press(first), Press(bounce), Press(second)]
    assert [type(each) for each in entries[4:]] == [
        Restore, TakeBack, TakeBack, SwapEnds, Finish, Resume,
    ]  # fmt: skip
    assert entries[4] == Restore(bounce.id)
    assert entries[6] == TakeBack(first.id)
    assert entries[7] == SwapEnds(1)
    assert entries[9] == Resume(series)


def test_a_method_without_ends_has_none_in_its_log(journal, engine):
    series = start(journal, "stop-block")
    with engine.connect() as connection:
        (begun,) = read_series(connection, series)
    assert begun == Start(series, Layout(places=1, repeats=2, swap=None, closed_jaws=True))


def test_each_series_has_what_was_said_while_the_bench_fed_it(journal, engine):
    journal.keep([reading(1_000_000)])  # belongs to none
    first = start(journal)
    one, two, three = (reading(nm * 1_000_000) for nm in (12, 13, 14))
    journal.keep([one])
    second = start(journal)  # ends the first
    journal.keep([two])
    journal.finish(second)
    journal.resume(first)
    journal.keep([three])
    with engine.connect() as connection:
        main = number_of(connection)
        by_series = {key: list(said) for key, said in read_log_by_series(connection, main)}
        latest = list(read_log(connection, main))
    pressed = {
        key: [each.reading for each in said if isinstance(each, Press)]
        for key, said in by_series.items()
    }
    assert pressed == {first: [one, three], second: [two]}
    assert list(by_series) == [first, second]
    assert latest == by_series[first]


def test_another_benchs_entries_are_not_among_them(journal, engine):
    here, there = start(journal), start(journal, at_bench="left")
    journal.keep([reading(12_000_000), reading(13_000_000, at_bench="left")])
    with engine.connect() as connection:
        for series, width in ((here, 12_000_000), (there, 13_000_000)):
            presses = [e for e in read_series(connection, series) if isinstance(e, Press)]
            assert [each.reading.nm for each in presses] == [width]


def test_where_nothing_was_started_nothing_is_read(journal, engine):
    journal.keep([reading(1_000_000)])
    with engine.connect() as connection:
        main = number_of(connection)
        assert list(read_log(connection, main)) == []
        assert list(read_log_by_series(connection, main)) == []
        assert list(read_series(connection, NOBODY)) == []
        assert list(read_log(connection, main + 1)) == []


def test_an_act_of_a_later_program_is_not_passed_over(journal, engine):
    series = start(journal)
    journal.finish(series)
    without_triggers(engine, "acts", "UPDATE acts SET kind = 'polish' WHERE kind = 'finish'")
    with engine.connect() as connection, pytest.raises(ValueError, match="'polish'"):
        list(read_series(connection, series))
