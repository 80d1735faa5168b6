"""Whatever is corrected leaves its trail, can be undone, and gives the same trials on a replay."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select, text
from sqlalchemy.exc import OperationalError

from analysis.guard import Question
from api.errors import Conflict, NotFound
from api.store import doctor
from api.store.corrections import Corrections
from api.store.engine import open_engine
from api.store.journal import Journal
from api.store.log import read_series
from api.store.machine_records import MachineRecords
from api.store.rows import changes
from api.store.tables import Bench
from api.store.trail import By
from api.store.transactions import Transactions
from capture.records import (
    Ask,
    CountAgain,
    LeaveOut,
    Press,
    Reading,
    Restore,
    SwapEnds,
    TakeBack,
)
from tests.api.entries import new_series, numbers, reading

_ROWS = (
    "SELECT t.number, t.state, t.swapped, t.flags, t.readings_mm, t.deviation_mm, t.angle_deg,"
    " t.expanded_uncertainty_deg, t.taken_at FROM trials t WHERE t.series_id = :series"
    " AND t.state <> 'gone' ORDER BY t.number"
)


def _unchecked(_columns: Any) -> None:
    """Accepts any settings."""


def _rows(engine, series: UUID) -> list[Any]:
    with engine.connect() as store:
        shown = series if store.dialect.name == "postgresql" else series.hex
        return store.execute(text(_ROWS), {"series": shown}).all()


@pytest.fixture
def journal(engine) -> Journal:
    return Journal(engine)


@pytest.fixture
def corrections(journal) -> Corrections:
    return Corrections(journal.transactions)


def _start(journal, bench: str = "main", name: str = "Window saw") -> UUID:
    return journal.start(new_series(journal.add_machine(name, "other"), bench))


def test_a_wrong_length_is_corrected_and_the_angle_follows(engine, journal, corrections):
    series = _start(journal)
    journal.keep([reading("12.30"), reading("12.70")])
    (before,) = _rows(engine, series)
    corrections.series(series, {"baseline": "20"}, By("Ada", "a slip"), _unchecked)
    (after,) = _rows(engine, series)
    assert after.angle_deg == pytest.approx(before.angle_deg * 10, rel=1e-4)
    with engine.connect() as store:
        (change,) = changes.of_series(store, series)
    assert (change.field, change.before, change.after) == ("baseline", "200", "20")
    assert (change.who, change.reason, change.undone) == ("Ada", "a slip", False)
    corrections.undo(change.id, By(), _unchecked)
    assert _rows(engine, series) == [before]
    # Undone twice it stays undone; and the undoing can be undone.
    corrections.undo(change.id, By(), _unchecked)
    with engine.connect() as store:
        _, undoing = changes.of_series(store, series)
    corrections.undo(undoing.id, By(), _unchecked)
    assert _rows(engine, series) == [after]


def test_a_length_corrected_by_another_process_holds_for_the_next_press(engine, journal):
    series = _start(journal)
    journal.keep([reading("12.30"), reading("12.70"), reading("12.30")])
    other = Corrections(Journal(engine).transactions)
    other.series(series, {"baseline": "20", "readings_unit": "in"}, By(), _unchecked)
    journal.keep([reading("12.70")])
    assert {row.readings_mm for row in _rows(engine, series)} == {"312.42 322.58"}
    with engine.connect() as store:
        assert list(doctor.findings(store)) == []


def test_what_was_seen_is_compared_once_nobody_else_can_write(engine, journal, monkeypatch):
    series = _start(journal)
    machine = journal.add_machine("Window saw", "other")
    monkeypatch.setattr("api.store.engine._BUSY_S", 0.0)
    url = engine.url
    if engine.dialect.name == "postgresql":
        url = url.update_query_pairs([("options", "-c lock_timeout=1ms")])
    elsewhere = open_engine(url.render_as_string(hide_password=False))
    refused = []

    def series_note(transactions: Transactions, by: By) -> None:
        Corrections(transactions).series(series, {"note": "mine"}, by, _unchecked)

    def machine_note(transactions: Transactions, by: By) -> None:
        MachineRecords(transactions).machine(machine, {"note": "mine"}, by)

    for correct in (series_note, machine_note):

        def seen(_writing: Any, correct: Any = correct) -> None:
            with pytest.raises(OperationalError, match="lock"):
                correct(Journal(elsewhere).transactions, By())
            refused.append(True)
            raise Conflict("it is not as you saw it")

        with pytest.raises(Conflict):
            correct(journal.transactions, By(seen=seen))
    elsewhere.dispose()
    assert refused == [True, True]
    with engine.connect() as store:
        assert list(changes.since(store, None, None, 10)) == []


@pytest.mark.parametrize("store_url", ["postgresql"], indirect=True)
def test_a_machine_is_corrected_while_its_bench_keeps_a_press(engine, journal):
    """Its event names the bench: each would wait for what the other holds, until one is broken."""
    _start(journal)
    machine = journal.add_machine("Window saw", "other")
    url = engine.url.update_query_pairs([("options", "-c lock_timeout=1s")])
    elsewhere = open_engine(url.render_as_string(hide_password=False))
    with journal.transactions.writing() as written:
        written.bench("main")
        MachineRecords(Journal(elsewhere).transactions).machine(machine, {"note": "mine"}, By())
    elsewhere.dispose()


def test_what_was_said_otherwise_since_is_not_undone(engine, journal, corrections):
    series = _start(journal)
    corrections.series(series, {"baseline": "20"}, By(), _unchecked)
    corrections.series(series, {"baseline": "30"}, By(), _unchecked)
    with engine.connect() as store:
        first, _ = changes.of_series(store, series)
    with pytest.raises(Conflict, match="changed again since"):
        corrections.undo(first.id, By(), _unchecked)


def test_a_caliper_left_in_inch_is_read_anew_as_a_whole(engine, journal, corrections):
    series = _start(journal)
    # As millimetres the second one can hardly be right; it is sent again.
    journal.keep([reading("0.4842"), reading("0.5000"), reading("0.5000")])
    corrections.series(series, {"readings_unit": "in"}, By(), _unchecked)
    # This one says its unit itself.
    journal.keep([replace(reading("12.70"), sent="12.70 mm"), reading("0.4842")])
    assert [row.readings_mm for row in _rows(engine, series)] == ["12.29868 12.7", "12.7 12.29868"]
    with engine.connect() as store:
        assert list(doctor.findings(store)) == []


def test_trials_of_another_board_move_to_a_series_of_their_own(engine, journal, corrections):
    series = _start(journal)
    machine = journal.add_machine("Window saw", "other")
    journal.keep([reading("12.30"), reading("12.70"), reading("9.30"), reading("9.10")])
    journal.keep([reading("9.40")])
    before = _rows(engine, series)
    made = corrections.move(series, 2, By(), new=lambda _row: new_series(machine), rest=True)
    assert [row.number for row in _rows(engine, series)] == [1]
    assert [(row.number, row.readings_mm) for row in _rows(engine, made)] == [
        (1, "9.3 9.1"),
        (2, "9.4"),
    ]
    with engine.connect() as store:
        assert list(doctor.findings(store)) == []
        change = changes.of_series(store, made)[-1]
    corrections.undo(change.id, By(), _unchecked)
    assert (_rows(engine, series), _rows(engine, made)) == (before, [])
    # The bench goes on where it was: the strip that is open is still the one that it fills.
    journal.keep([reading("9.20")])
    assert [row.readings_mm for row in _rows(engine, series)][-1] == "9.4 9.2"
    with engine.connect() as store:
        assert list(doctor.findings(store)) == []


def test_a_question_is_decided_once_and_a_replay_obeys_it(engine, journal):
    series = _start(journal)

    def ask(_series: Any, _folding: Any, said: Reading) -> tuple[Question, str] | None:
        return (Question("factor 10"), "123.40?") if said.sent == "123.40" else None

    doubted = reading("123.40")
    with journal.transactions.writing() as written:
        entries = [Press(reading("12.30")), Press(doubted)]
        outcomes = written.append(written.bench("main"), entries, ask=ask)
    assert [outcome.kind for outcome in outcomes] == ["kept", "asked"]
    with engine.connect() as store:
        assert store.scalar(select(Bench.awaiting)) == doubted.id
        found = list(read_series(store, series))
        assert list(doctor.findings(store)) == []
    assert found[-2:] == [Ask(doubted.id, Question("factor 10")), Press(doubted)]
    # Another writer, which has no rule, knows it from the log.
    Journal(engine).keep([reading("12.70")])
    assert [row.readings_mm for row in _rows(engine, series)] == ["12.3 12.7"]
    with engine.connect() as store:
        assert store.scalar(select(Bench.awaiting)) is None


def test_what_cannot_be_corrected_is_said(journal, corrections):
    series = _start(journal)
    (only,) = said = [reading("12.30")]
    journal.keep(said)
    with pytest.raises(Conflict, match="no strip has that number"):
        corrections.trial(series, LeaveOut(7), By())
    with pytest.raises(NotFound, match="no strip 7"):
        corrections.move(series, 7, By(), to=series)
    with pytest.raises(Conflict, match="already"):
        corrections.move(series, 1, By(), to=series)
    with pytest.raises(NotFound, match="no reading has that id"):
        corrections.reading(TakeBack(UUID(int=1)), By())
    with pytest.raises(NotFound, match="no change has that id"):
        corrections.undo(UUID(int=1), By(), _unchecked)
    corrections.reading(TakeBack(only.id), By())
    with pytest.raises(Conflict, match="counts in no trial"):
        corrections.reading(TakeBack(only.id), By())
    journal.keep([reading("12.31")])
    with pytest.raises(Conflict, match="take that reading back first"):
        corrections.reading(Restore(only.id), By())


_STEP = st.one_of(
    st.tuples(st.just("press"), st.sampled_from(["12.30", "12.41", "0.4825", "0.00"])),
    st.tuples(st.just("press after a night"), st.sampled_from(["12.35", "123.50"])),
    st.tuples(st.just("act"), st.sampled_from(["back", "swap", "finish", "resume", "start"])),
    st.tuples(
        st.just("correct"),
        st.tuples(
            st.sampled_from(
                ["swap", "out", "again", "back", "restore", "move", "rest", "baseline", "inch"]
            ),
            st.integers(0, 7),
            st.integers(0, 2),
        ),
    ),
)


@given(steps=st.lists(st.tuples(_STEP, st.sampled_from([False] * 4 + [True])), max_size=25))
@settings(
    max_examples=15,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
def test_a_replay_gives_the_same_trials_and_undoing_all_gives_the_first(engine, steps):
    bench = f"bench {next(numbers)}"
    journal = Journal(engine)
    machine = journal.add_machine("Window saw", "other")
    series = [journal.start(new_series(machine, bench))]
    pressed: list[UUID] = []
    hours = 0
    done: list[tuple[UUID, dict[UUID, list[Any]]]] = []

    for (kind, what), forgets in steps:
        if forgets:
            engine.dispose()  # and with it the connections of the journals before
            journal = Journal(engine)
        corrections = Corrections(journal.transactions)
        before = {each: _rows(engine, each) for each in series}
        try:
            if kind.startswith("press"):
                said = [reading(what, bench=bench)]
                if kind != "press":
                    hours += 13
                    said = [replace(said[0], taken_at=said[0].taken_at + timedelta(hours=hours))]
                journal.keep(said)
                pressed += [each.id for each in said]
                done.clear()  # what was corrected may rest on this now
            elif kind == "act":
                _act(journal, bench, what, machine, series)
                done.clear()
            else:
                _correct(corrections, what, machine, series, pressed)
                done.append((_latest(engine, series), before))
        except (Conflict, NotFound, IndexError):
            assert {each: _rows(engine, each) for each in series} == before

    with engine.connect() as store:
        assert list(doctor.findings(store)) == []
    corrections = Corrections(Journal(engine).transactions)
    for change, before in reversed(done):
        corrections.undo(change, By(), _unchecked)
        assert {each: _rows(engine, each) for each in before} == before
    with engine.connect() as store:
        assert list(doctor.findings(store)) == []


def _act(journal: Journal, bench: str, what: str, machine: UUID, series: list[UUID]) -> None:
    match what:
        case "back":
            journal.act(bench, TakeBack())
        case "swap":
            journal.act(bench, SwapEnds())
        case "finish":
            journal.finish(series[-1])
        case "resume":
            journal.resume(series[0])
        case "start":
            series.append(journal.start(new_series(machine, bench)))


def _correct(
    corrections: Corrections,
    what: tuple[str, int, int],
    machine: UUID,
    series: list[UUID],
    pressed: list[UUID],
) -> None:
    kind, number, which = what
    one, other = series[which % len(series)], series[(which + 1) % len(series)]
    match kind:
        case "swap":
            corrections.trial(one, SwapEnds(number), By())
        case "out":
            corrections.trial(one, LeaveOut(number), By())
        case "again":
            corrections.trial(one, CountAgain(number), By())
        case "back":
            corrections.reading(TakeBack(pressed[-1 - number]), By())
        case "restore":
            corrections.reading(Restore(pressed[-1 - number]), By())
        case "move":
            corrections.move(one, number, By(), to=other)
        case "rest":
            series.append(
                corrections.move(one, number, By(), new=lambda _row: new_series(machine), rest=True)
            )
        case "baseline":
            said = {"baseline": str(100 + number), "note": str(number)}
            corrections.series(one, said, By(), _unchecked)
        case "inch":
            corrections.series(one, {"readings_unit": ["mm", "in"][number % 2]}, By(), _unchecked)


def _latest(engine, series: list[UUID]) -> UUID:
    with engine.connect() as store:
        return max(change.id for each in series for change in changes.of_series(store, each))
