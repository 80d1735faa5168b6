"""A reading that can hardly be right waits, by a question that is stored once."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select

from api.answers.bench import bench as bench_answer
from api.answers.uncounted import uncounted
from api.store import doctor
from api.store.corrections import Corrections
from api.store.journal import Journal
from api.store.rows import earlier
from api.store.tables import Act, Series, Trial
from api.store.trail import By
from api.store.transactions import Transactions
from capture.records import Press, Restore, TakeBack
from tests.api.entries import new_series, reading

_PAIRS = ["11.40", "11.44", "11.52", "11.55", "11.31", "11.36"]


def _begun(journal, *sent):
    machine = journal.add_machine("the saw", "miter saw")
    series = journal.start(new_series(machine))
    pressed = [reading(text) for text in sent]
    journal.keep(pressed)
    return series


def _kinds(journal, *pressed):
    return [o.kind for o in journal.keep(pressed).outcomes]


def _asks(engine):
    with engine.connect() as connection:
        return connection.execute(select(Act.id).where(Act.kind == "ask")).all()


def test_the_question_is_stored_once_and_other_writers_obey_it(engine):
    journal, other = Journal(engine), Journal(engine)
    _begun(journal, *_PAIRS)
    odd = reading("114.20")
    kept = journal.keep([odd])
    assert [o.kind for o in kept.outcomes] == ["asked"]
    assert kept.outcomes[0].question
    assert kept.outcomes[0].question.startswith("114.20? The last strips were near 11.4")
    assert journal.keep([odd]).known == 1
    assert len(_asks(engine)) == 1
    with engine.connect() as connection:
        answer = bench_answer(connection, "main")
    assert answer.awaiting is not None
    assert answer.awaiting.row.id == odd.id
    # The other writer reads it back, and takes the same again for a confirmation.
    assert _kinds(other, reading("114.21")) == ["kept"]
    with engine.connect() as connection:
        assert bench_answer(connection, "main").awaiting is None
    assert len(_asks(engine)) == 1


def test_a_waiting_reading_is_replaced_confirmed_or_taken_back(engine):
    journal = Journal(engine)
    _begun(journal, *_PAIRS)
    # The newest waits; a bounce is the same press; another value takes its place.
    assert _kinds(journal, reading("114.20"), reading("1.13")) == ["asked", "asked"]
    assert _kinds(journal, reading("1.13", pause_ms=30)) == ["bounced"]
    assert _kinds(journal, reading("11.42")) == ["kept"]
    # The pair: the other end is asked about too; the page's button confirms it.
    odd = reading("1.14")
    assert _kinds(journal, odd) == ["asked"]
    assert journal.act("main", Restore(odd.id)).kind == "complete"
    assert _kinds(journal, reading("114.20")) == ["asked"]
    assert _kinds(journal, reading("0.00")) == ["taken back"]
    assert _kinds(journal, reading("114.20")) == ["asked"]
    assert journal.act("main", TakeBack()).kind == "taken back"
    with engine.connect() as connection:
        assert bench_answer(connection, "main").awaiting is None
    assert _sent(journal)[3:] == [["11.42", "1.14"]]


def test_a_series_that_heard_nothing_for_twelve_hours_asks_and_loses_no_press(engine):
    journal = Journal(engine)
    series = _begun(journal, *_PAIRS)
    first = _later("11.40", 13)
    kept = journal.keep([first])
    assert kept.outcomes[0].kind == "asked"
    assert "for 13 hours" in (kept.outcomes[0].question or "")
    # Whoever measures on goes on: both count, in another writer too, and after a replay.
    assert _kinds(Journal(engine), _later("11.43", 13)) == ["complete"]
    assert _sent(Journal(engine))[3:] == [["11.40", "11.43"]]
    with engine.connect() as connection:
        assert list(doctor.findings(connection)) == []
        stored = connection.scalars(select(Trial.readings_mm).order_by(Trial.number)).all()
    assert stored[3:] == ["11.4 11.43"]
    # What can hardly be right is asked about first, and whether it goes on with the next one.
    asked = journal.keep([_later("114.20", 26), _later("11.50", 26), _later("11.55", 26)])
    assert [o.kind for o in asked.outcomes] == ["asked", "asked", "complete"]
    assert [(o.question or "").split()[0] for o in asked.outcomes[:2]] == ["114.20?", "11.50?"]
    assert "Nothing was measured" in (asked.outcomes[1].question or "")
    assert _sent(journal)[4:] == [["11.50", "11.55"]]
    # By the page's button, or by shutting the jaws; at the end it is in no trial, and not lost.
    waits = _later("11.44", 39)
    assert _kinds(journal, waits) == ["asked"]
    assert journal.act("main", Restore(waits.id)).kind == "kept"
    assert _kinds(journal, _later("11.46", 52), _later("0.00", 52)) == ["asked", "taken back"]
    last = _later("11.47", 65)
    assert _kinds(journal, last) == ["asked"]
    journal.finish(series)
    with engine.connect() as connection:
        aside = {each.reading.id: each.why for each in uncounted(connection, series)}
    assert aside[last.id] == "awaiting"
    journal.resume(series)
    assert _kinds(journal, _later("11.48", 78)) == ["complete"]
    # Jaws shut to see zero say nothing of that; what was measured since does.
    assert _kinds(journal, _later("0.00", 91), _later("11.49", 91)) == ["taken back", "asked"]
    assert _kinds(journal, _later("11.50", 91)) == ["kept"]
    assert _kinds(journal, _later("0.00", 92), _later("11.50", 92)) == ["taken back", "kept"]


def test_a_series_that_never_heard_anything_asks_as_well(engine):
    journal = Journal(engine)
    machine = journal.add_machine("the saw", "miter saw")
    began = datetime.now(UTC) - timedelta(hours=13)
    journal.start(new_series(machine), began)
    # What a bench elsewhere measured in time, and hands over late, is not asked about.
    fresh = replace(reading("11.40"), taken_at=began + timedelta(hours=1))
    assert _kinds(journal, fresh) == ["kept"]
    journal.start(new_series(machine), began)
    assert _kinds(journal, replace(reading("11.40"), taken_at=datetime.now(UTC))) == ["asked"]


def test_a_lost_last_digit_is_asked_about_by_what_the_caliper_sent_in_earlier_series(engine):
    journal = Journal(engine)
    fixed = [f"{11.2 + n / 100:.2f}" for n in range(20)]
    _begun(journal, *fixed)
    _begun(journal)
    assert _kinds(journal, reading("11.4")) == ["asked"]
    # Said to be right: this caliper was set to leave zeros out.
    assert _kinds(journal, reading("11.4"), reading("11.5"), reading("11.35")) == [
        *("kept", "complete", "kept"),
    ]
    _begun(Journal(engine))
    assert _kinds(Journal(engine), reading("11.4")) == ["kept"]


def test_what_is_corrected_of_a_running_series_counts_in_the_next_question(engine):
    journal = Journal(engine)
    machine = journal.add_machine("caliper", "caliper")
    series = journal.start(new_series(machine, key="known-block"))
    assert _kinds(journal, reading("20.00")) == ["asked"]
    journal.act("main", TakeBack())
    corrections = Corrections(journal.transactions)
    corrections.series(series, {"baseline": "20"}, By(), lambda _columns: None)
    assert _kinds(journal, reading("20.00"), reading("200.00")) == ["complete", "asked"]
    journal.act("main", TakeBack())
    corrections.series(series, {"readings_unit": "in"}, By(), lambda _columns: None)
    assert _kinds(journal, reading("0.7874")) == ["complete"]


def test_a_lost_last_digit_is_asked_about_in_the_unit_that_series_read(engine):
    journal = Journal(engine)
    machine = journal.add_machine("the saw", "miter saw")
    inches = replace(new_series(machine), readings_unit="in")
    journal.start(inches)
    journal.keep([reading(f"{0.44 + n / 1000:.4f}") for n in range(20)])
    journal.start(inches)
    assert _kinds(journal, reading("0.445")) == ["asked"]


def test_what_nobody_could_be_asked_in_time_is_not_asked(engine):
    """The person had gone on: the next press is of another place, and would take its place."""
    journal = Journal(engine)
    _begun(journal, *_PAIRS)
    journal.compare_clock("main", 40)  # so it is a bench elsewhere
    batch = [reading("114.20"), reading("11.42"), reading("11.43"), reading("1.14")]
    assert _kinds(journal, *batch) == ["kept", "complete", "kept", "asked"]
    assert _kinds(journal, reading("11.44")) == ["complete"]
    assert _kinds(journal, replace(reading("114.20"), late=True)) == ["kept"]


def test_a_machine_is_usually_out_by_what_its_latest_series_show(engine):
    journal = Journal(engine)
    _begun(journal, "11.40", "13.40")
    _begun(journal, "11.40", "10.40", "11.40", "10.40", "11.40")
    series = _begun(journal, "11.40", "19.40")
    with engine.connect() as connection:
        row = connection.execute(select(Series.__table__).where(Series.id == series)).one()
        usual = earlier.usual(connection, row)
    # Over 200 mm, doubled by turning the board over.
    assert usual == {"angle": pytest.approx(math.sqrt((2**2 + 1**2) / 2) / 400, rel=1e-3)}


def test_a_log_without_questions_is_folded_as_it_was(engine):
    """As an earlier version wrote it: the same values, and nothing was asked."""
    machine = Journal(engine).add_machine("the saw", "miter saw")
    journal = Journal(engine)
    journal.start(new_series(machine))
    with Transactions(engine).writing() as written:
        entries = [Press(reading(sent)) for sent in [*_PAIRS, "114.20", "114.25"]]
        written.append(written.bench("main"), entries)
    with Transactions(engine).writing() as written:
        state = written.bench("main").state
    assert [trial.complete for trial in state.trials] == [True] * 4
    assert state.awaiting is None


def _later(sent, hours):
    heard = reading(sent)
    return replace(heard, taken_at=heard.taken_at + timedelta(hours=hours))


def _sent(journal):
    with journal.transactions.writing() as written:
        trials = written.bench("main").state.trials
    return [[slot.reading.sent for slot in trial.slots if slot] for trial in trials]
