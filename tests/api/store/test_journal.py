"""The journal keeps what benches say, in order and for good, with other writers beside it."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from typing import Any
from uuid import UUID

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, text
from sqlalchemy.exc import DBAPIError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeout

from analysis.guard import Question
from analysis.methods import method
from api.answers.bench import bench as bench_answer
from api.answers.series import series as whole_series
from api.errors import Conflict
from api.store import doctor
from api.store.engine import begin_writing, open_engine
from api.store.journal import Acknowledgement, Handed, Journal
from api.store.publishing import Happened
from api.store.rows import events
from api.store.tables import APPEND_ONLY
from api.web import convert
from capture import folded, pairing, records
from capture.records import Finish, Press, Reading, Restore, Resume, Start, SwapEnds, TakeBack
from tests.api.entries import new_series, numbers, reading
from tests.api.stores import fill

# ------------------------------------------------------------ the log and its trials

_SENT = st.sampled_from(
    [("12.30", "mm"), ("12.3", "mm"), ("12.305", "mm"), ("0.4825", "in"), ("0.00", "mm")]
)
_STEP = st.one_of(
    st.tuples(st.just("press"), st.lists(_SENT, min_size=1, max_size=5)),
    st.tuples(st.just("bounce"), st.none()),
    st.tuples(st.just("again"), st.none()),
    st.tuples(st.just("take back"), st.integers(0, 9)),
    st.tuples(st.just("swap"), st.one_of(st.none(), st.integers(1, 4))),
    st.tuples(st.just("restore"), st.none()),
    st.tuples(st.just("start"), st.sampled_from(["reversal", "half-turn"])),
    st.tuples(st.just("finish"), st.none()),
    st.tuples(st.just("resume"), st.integers(0, 9)),
)


def _presses(new: Sequence[Reading], kept: Acknowledgement) -> list[records.Entry]:
    """The entries of readings that were kept: what was asked, the fold obeys and judges nothing."""
    asked = {o.reading for o in kept.outcomes if o.kind == "asked"}
    entries: list[records.Entry] = []
    for each in new:
        if each.id in asked:
            entries.append(records.Ask(each.id, Question("far off")))
        entries.append(Press(each))
    return entries


@given(
    steps=st.lists(
        st.tuples(_STEP, st.integers(0, 1), st.sampled_from([False] * 4 + [True])), max_size=30
    )
)
@settings(
    max_examples=20,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
def test_two_writers_that_forget_now_and_then_store_the_trials_of_the_pure_fold(engine, steps):
    bench = f"bench {next(numbers)}"
    journals = [Journal(engine), Journal(engine)]
    machine = journals[0].add_machine("Window saw", "other")
    first = journals[0].start(new_series(machine, bench))
    # Each series' own entries; `entries` are those of the one that the bench fed last.
    own: dict[UUID, list[records.Entry]] = {first: [Start(first, _layout("reversal"))]}
    entries = own[first]
    pressed: list[Reading] = []
    running: UUID | None = first

    for (kind, what), who, forgets in steps:
        if forgets:
            journals[who] = Journal(engine)
        journal, entry = journals[who], None
        match kind:
            case "press":
                new = [reading(sent, unit, bench) for sent, unit in what]
                kept = journal.keep(new)
                assert kept.stored == len(new)
                pressed += new
                entries += _presses(new, kept)
            case "bounce" if pressed:
                last = pressed[-1]
                new = [reading(last.sent, last.unit, bench, pause_ms=30)]
                pressed += new
                entries += _presses(new, journal.keep(new))
            case "again":
                assert journal.keep(pressed[-3:]).stored == 0
            case "take back":
                entry = TakeBack(pressed[-what].id if 0 < what <= len(pressed) else None)
            case "swap":
                entry = SwapEnds(what)
            case "restore":
                aside = list(pairing.fold(entries).aside)
                entry = Restore(aside[0]) if aside else None
            case "start":
                running = journal.start(new_series(machine, bench, what))
                entries = own[running] = [Start(running, _layout(what))]
            case "resume":
                series = list(own)[what % len(own)]
                if running in (None, series):
                    journal.resume(series)
                    if running is None:
                        running, entries = series, own[series]
                        entries.append(Resume(series))
                else:
                    with pytest.raises(Conflict, match="finish it first"):
                        journal.resume(series)
            case "finish" if running is not None:
                journal.finish(running)
                running = None
                entries.append(Finish())
        if entry is not None:
            try:
                journal.act(bench, entry)
                entries.append(entry)
            except Conflict:
                # It did nothing, and is no part of the log.
                assert pairing.apply(pairing.fold(entries), entry)[0] == pairing.fold(entries)
    state = pairing.fold(entries)
    with engine.connect() as store:
        for series_id, said in own.items():
            at_end = pairing.fold(said).latest
            assert _stored(store, series_id) == _folded(at_end)
        following = bench_answer(store, bench).next
        expected = folded.next_place(state)
        assert (following is None) == (expected is None)
        if following is not None and expected is not None:
            assert (following.at.trial, following.at.place, following.at.repeat) == (
                expected.trial,
                expected.place,
                expected.repeat,
            )
        # And the rows are those of a fresh projection, of this bench as of those before.
        assert list(doctor.findings(store)) == []


def _layout(key: str) -> records.Layout:
    follows = method(key)
    repeats = 2 if key == "half-turn" else 1
    return records.Layout(len(follows.places), repeats, follows.swap, follows.closed_jaws)


def _folded(state: folded.State) -> dict[int, list[tuple[int, UUID]]]:
    return {
        trial.number: [
            (folded.place_of(trial, slot, state.layout), placed.reading.id)
            for slot, placed in enumerate(trial.slots)
            if placed is not None
        ]
        for trial in state.trials
        if not trial.empty
    }


def _stored(store: Any, series_id: UUID) -> dict[int, list[tuple[int, UUID]]]:
    found = convert.series_out(whole_series(store, series_id))
    places = [place.key for place in method(found.method).places]
    return {t.number: [(places.index(r.place), r.id) for r in t.readings] for t in found.trials}


# ------------------------------------------------------------ for good

_CHANGES = {
    "UPDATE": "UPDATE {table} SET id = id",
    "DELETE": "DELETE FROM {table}",
    "REPLACE": "INSERT OR REPLACE INTO {table} SELECT * FROM {table}",
    "TRUNCATE": "TRUNCATE {table} CASCADE",
    "UPSERT": "INSERT INTO {table} SELECT * FROM {table} WHERE true"
    " ON CONFLICT (id) DO UPDATE SET id = excluded.id",
}


@pytest.mark.parametrize("table", APPEND_ONLY)
@pytest.mark.parametrize("verb", _CHANGES)
def test_what_was_said_at_a_bench_cannot_be_changed_with_a_database_tool(engine, table, verb):
    if verb == {"sqlite": "TRUNCATE", "postgresql": "REPLACE"}[engine.dialect.name]:
        pytest.skip(f"{engine.dialect.name} has no such verb")
    fill(engine)
    with engine.connect() as connection:
        before = connection.execute(text(f"SELECT * FROM {table} ORDER BY id")).all()
        assert before
        with pytest.raises(DBAPIError, match="never changed or deleted"):
            connection.execute(text(_CHANGES[verb].format(table=table)))
        connection.rollback()
        assert connection.execute(text(f"SELECT * FROM {table} ORDER BY id")).all() == before


# ------------------------------------------------------------ side by side


class _Arriving(Journal):
    """Tells when a start has read which series runs, and waits for the lock."""

    def __init__(self, engine: Engine) -> None:
        super().__init__(engine)
        self.arrived = threading.Event()

    def _running(self, name: str) -> UUID | None:
        found = super()._running(name)
        self.arrived.set()
        return found


def test_many_at_once_are_the_same_rows_as_one_by_one(engine):
    """Also their odd characters, their zones and the last digits of their angles."""
    journal = Journal(engine)
    machine = journal.add_machine("Window saw", "other")
    at = datetime(2026, 3, 2, 12, 0, 0, 123456, timezone(timedelta(hours=-7)))
    texts = [f"{12 + n / 7:.2f}" for n in range(10)]
    texts = [f"\u2212 {t}\\ \"\u2033' %s \u00e9\U0001f4cf\t{{}}" for t in texts]

    def readings(bench: str) -> list[Reading]:
        return [
            replace(
                reading(f"{12 + n / 7:.2f}", bench=bench),
                caliper=f'S\u00fcd "{n % 3}"',
                sent=sent,
                taken_at=at,
                late=n == 3,
            )
            for n, sent in enumerate(texts)
        ]

    for bench in ("whole", "single"):
        journal.start(new_series(machine, bench))
    journal.keep(readings("whole"))
    for each in readings("single"):
        journal.keep([each])
    told = """
        SELECT r.seq, r.sent, r.unit, r.nm, r.taken_at, r.origin, r.since_previous_ms, r.late,
            t.number, t.state, t.flags, t.taken_at, t.readings_mm, t.deviation_mm, t.angle_deg,
            t.expanded_uncertainty_deg, t.calipers, tr.slot, tr.place
        FROM readings r JOIN benches b ON b.id = r.bench_id
        JOIN trial_readings tr ON tr.reading_id = r.id JOIN trials t ON t.id = tr.trial_id
        WHERE b.name = :bench ORDER BY r.seq
    """
    with engine.connect() as store:
        whole, single = (store.execute(text(told), {"bench": b}).all() for b in ("whole", "single"))
    assert [row.sent for row in whole] == texts
    assert whole == single


def test_what_several_ask_together_is_stored_as_if_one_after_the_other(engine):
    journal = Journal(engine)
    journal.start(new_series(journal.add_machine("Window saw", "other")))
    first, second, third = reading("12.30"), reading("12.40"), reading("9.9", bench="new")
    other = replace(first, nm=first.nm + 1)
    commits: list[Sequence[Happened]] = []
    journal = Journal(engine, committed=lambda _, events: commits.append(events))
    done = journal.keep_each(
        list(map(Handed, [[first], [second, first], [], [other, third], [third]]))
    )
    assert len(commits) == 1
    if engine.dialect.name == "sqlite":
        assert [event.reading for event in commits[0] if event.kind == "reading"] == [
            *(first, second, third)
        ]
        with engine.connect() as store:
            rows = events.events_after(store, "main", 0) + events.events_after(store, "new", 0)
        read = {row.id: (row.bench_id, row.bench, row.kind, row.subject, row.data) for row in rows}
        assert all(read[event.id] == event[1:-1] for event in commits[0])
    assert [(d.stored, d.known) for d in done if isinstance(d, Acknowledgement)] == [
        *((1, 0), (1, 1), (0, 0), (1, 0), (0, 1))
    ]
    assert isinstance(done[3], Acknowledgement)
    assert done[3].conflicting == (other,)
    kinds = [o.kind for d in done if isinstance(d, Acknowledgement) for o in d.outcomes]
    assert kinds == ["kept", "complete", "no series"]
    with engine.connect() as store:
        assert list(doctor.findings(store)) == []


def test_what_cannot_be_stored_harms_nobody_who_asked_at_the_same_time(engine):
    journal = Journal(engine)
    wrong = replace(reading("12.30"), taken_at=datetime(2026, 3, 2))
    good, better = reading("12.31"), reading("12.32")
    done = journal.keep_each(list(map(Handed, [[good], [wrong], [better]])))
    assert isinstance(done[1], ValueError)
    assert [d.stored for d in done if isinstance(d, Acknowledgement)] == [1, 1]
    with engine.connect() as store:
        assert store.scalar(text("SELECT count(*) FROM readings")) == 2


def test_of_a_store_that_fails_everybody_hears_once(engine, monkeypatch):
    journal = Journal(engine)
    asked = []

    def away(*_: Any, **_more: Any) -> None:
        asked.append(1)
        raise OperationalError("", {}, Exception("away"))

    monkeypatch.setattr(journal, "_keep", away)
    done = journal.keep_each([Handed([reading("12.30")]), Handed([reading("12.31")])])
    assert [type(each) for each in done] == [OperationalError] * 2
    assert len(asked) == 1


@pytest.mark.parametrize("many", [1, 10])
def test_a_moment_without_a_zone_is_never_kept(engine, many):
    local = [replace(reading("12.30"), taken_at=datetime(2026, 3, 2)) for _ in range(many)]
    journal = Journal(engine)
    journal.keep([reading("12.34")])
    with pytest.raises(ValueError, match="no time zone"):
        journal.keep(local)
    with engine.connect() as store:
        assert store.scalar(text("SELECT count(*) FROM readings")) == 1


def test_a_press_waits_for_no_download_however_many_there_are(engine, monkeypatch):
    journal = Journal(engine)
    journal.keep([reading("12.30")])
    monkeypatch.setattr(engine.pool, "_timeout", 0)
    with ExitStack() as downloads:
        with pytest.raises(PoolTimeout):
            list(map(downloads.enter_context, iter(engine.connect, None)))
        assert journal.keep([reading("12.31")]).stored == 1


def test_of_two_starts_at_the_same_moment_one_wins_and_the_other_is_told(engine, store_url):
    machine = Journal(engine).add_machine("Window saw", "other")
    before = Journal(engine).start(new_series(machine))
    both = [_Arriving(open_engine(store_url)) for _ in range(2)]
    with ThreadPoolExecutor(2) as pool:
        with engine.connect() as third:
            begin_writing(third)
            third.execute(text("UPDATE benches SET last_seq = last_seq"))
            starts = [pool.submit(journal.start, new_series(machine)) for journal in both]
            assert all(journal.arrived.wait(30) for journal in both)
            third.rollback()
        results = [start.exception() or start.result() for start in starts]
    won = [r for r in results if isinstance(r, UUID)]
    lost = [r for r in results if isinstance(r, Conflict)]
    assert (len(won), len(lost)) == (1, 1), results
    assert "same moment" in str(lost[0])
    with engine.connect() as store:
        running = bench_answer(store, "main").series
        assert running is not None
        assert running.id == won[0]
        assert whole_series(store, before).row.finished_at is not None
        assert list(doctor.findings(store)) == []
    for journal in both:
        journal._engine.dispose()


def test_one_start_after_another_takes_the_bench_over_at_once(engine):
    journal, other = Journal(engine), Journal(engine)
    machine = journal.add_machine("Window saw", "other")
    journal.start(new_series(machine))
    second = other.start(new_series(machine))
    third = journal.start(new_series(machine))
    with engine.connect() as store:
        assert whole_series(store, second).row.finished_at is not None
        running = bench_answer(store, "main").series
        assert running is not None
        assert running.id == third


@pytest.mark.parametrize(("more", "ends"), [(0, False), (1, True), (None, True)])
def test_a_series_ends_where_its_bench_had_come_further_than_the_store_knows(engine, more, ends):
    journal = Journal(engine)
    series = journal.start(new_series(journal.add_machine("Window saw", "other")))
    journal.keep([reading("12.30")])
    reached = journal.reached("main")
    assert reached == Journal(engine).reached("main") == 2
    assert journal.end_where_behind("main", None if more is None else reached + more) is ends
    with engine.connect() as store:
        assert (whole_series(store, series).row.finished_at is not None) is ends


def test_writers_of_the_same_benches_in_any_order_wait_for_nobody_in_a_circle(engine, store_url):
    names = ["a", "b", "c"]
    journals = [Journal(open_engine(store_url)) for _ in range(3)]
    batches = [
        [
            [
                reading(f"1{n % 9}.{n:02d}", bench=name)
                for name in (names[who:] + names[:who])
                for n in range(5)
            ]
            for _ in range(8)
        ]
        for who in range(3)
    ]

    def write(who: int) -> int:
        return sum(journals[who].keep(batch).stored for batch in batches[who])

    with ThreadPoolExecutor(3) as pool:
        assert sum(pool.map(write, range(3))) == 3 * 8 * 15
    with engine.connect() as store:
        assert list(doctor.findings(store)) == []
    for journal in journals:
        journal._engine.dispose()


def test_readers_see_events_in_the_order_of_their_numbers_whoever_writes(engine, store_url):
    """A reader that has seen a number never finds a lower one afterwards."""
    journals = [Journal(open_engine(store_url)) for _ in range(2)]
    over = threading.Event()

    def write(who: int) -> None:
        for n in range(60):
            journals[who].keep([reading(f"1{n % 9}.00", bench=f"of {who}")])

    def watch() -> list[int]:
        seen: list[int] = []
        while True:
            last = over.is_set()
            with engine.connect() as store:
                seen += store.execute(
                    text("SELECT id FROM events WHERE id > :after ORDER BY id"),
                    {"after": seen[-1] if seen else 0},
                ).scalars()
            if last:
                return seen

    with ThreadPoolExecutor(3) as pool:
        watching = pool.submit(watch)
        list(pool.map(write, range(2)))
        over.set()
        seen = watching.result()
    assert len(seen) == 120
    for journal in journals:
        journal._engine.dispose()
