"""Each reading says what became of it, in exports and views alike, from the start and whenever it
becomes something else."""

from __future__ import annotations

from typing import get_args
from uuid import UUID

import pytest
from sqlalchemy import Engine, select, text

from api.exports import readings
from api.exports.wanted import Wanted
from api.store import asides, doctor
from api.store.corrections import Corrections
from api.store.journal import Journal
from api.store.rows.events import last_event_id
from api.store.tables import Aside
from api.store.trail import By
from capture.folded import Fate, Why
from capture.records import CountAgain, LeaveOut, Restore, TakeBack
from tests.api.entries import new_series, reading

_PAIRS = ("11.40", "11.44", "11.52", "11.55", "11.31", "11.36")


class Pulled:
    """What a reader that pulls only what is new knows of each reading: its fate, by its id."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.fates: dict[str, str] = {}
        self.came: set[str] = set()
        self._upto = 0

    def again(self) -> dict[str, str]:
        """Pull, and compare with a whole pull and with the view."""
        with self.engine.connect() as store:
            upto = last_event_id(store)
            new = _fates(store, Wanted(after=self._upto))
            whole = _fates(store, Wanted())
            view = store.execute(text("SELECT reading_id, fate FROM reading_history")).all()
            assert list(doctor.findings(store)) == []
        self.fates |= new
        self._upto, self.came = upto, set(new)
        assert self.fates == whole == {str(row.reading_id): row.fate for row in view}
        return self.fates


def _fates(store, wanted):
    at = readings.TABLE.index("fate")
    return {
        row[0]: row[at]
        for block in readings.blocks(store, wanted)
        for row in zip(*block, strict=True)
    }


def test_every_fate_is_said_from_the_start_and_comes_again_when_it_changes(engine):
    journal, pulled, seen = Journal(engine), Pulled(engine), set[str]()
    corrections = Corrections(journal.transactions)

    def press(*sent: str, pause_ms: int = 4000) -> list[str]:
        made = [reading(each, pause_ms=pause_ms) for each in sent]
        journal.keep(made)
        return [str(each.id) for each in made]

    def said(fate: Fate, *ids: str) -> None:
        found = pulled.again()
        assert [found[each] for each in ids] == [fate] * len(ids)
        seen.add(fate)

    (before,) = press("12.00")
    said("in no trial", before)
    series = journal.start(new_series(journal.add_machine("the saw", "miter saw")))
    strips = press(*_PAIRS)
    said("counted", *strips)
    (bounced,) = press("11.36", pause_ms=40)
    said("bounced", bounced)
    (mistaken,) = press("11.50")
    (closed,) = press("0.00")
    said("closed jaws", closed)
    said("taken back", mistaken)
    (again,) = press("11.51")
    journal.act("main", TakeBack())
    said("taken back", again)
    assert pulled.came == {again}
    (odd,) = press("114.20")
    said("awaiting", odd)
    (instead,) = press("11.49")
    said("replaced", odd)
    said("counted", instead)
    assert pulled.came == set()
    corrections.trial(series, LeaveOut(2), By())
    said("left out", *strips[2:4])
    assert pulled.came == set(strips[2:4])
    corrections.trial(series, CountAgain(2), By())
    said("counted", *strips[2:4])
    # A series that ended, and one that was resumed, are corrected alike.
    journal.finish(series)
    first = UUID(strips[0])
    corrections.reading(TakeBack(first), By())
    said("taken back", strips[0])
    corrections.reading(Restore(first), By())
    said("counted", strips[0])
    journal.resume(series)
    journal.act("main", Restore(UUID(bounced)))
    said("counted", bounced)
    # Read in inches, what were closed jaws no longer are: all is folded anew.
    (thin,) = press("0.04")
    said("closed jaws", thin)
    corrections.series(series, {"readings_unit": "in"}, By(), lambda _columns: None)
    said("counted", thin)
    every = {each for part in get_args(Fate) for each in get_args(part) or (part,)}
    assert seen == every
    assert every >= set(get_args(Why))


def test_a_trial_that_was_moved_takes_the_fates_of_its_readings_along(engine):
    journal, pulled = Journal(engine), Pulled(engine)
    corrections = Corrections(journal.transactions)
    saw, sled = journal.add_machine("the saw", "other"), journal.add_machine("the sled", "other")
    series = journal.start(new_series(saw))
    made = [reading(each) for each in _PAIRS]
    journal.keep(made)
    pulled.again()
    other = corrections.move(series, 2, By(), new=lambda _row: new_series(sled))
    assert set(pulled.again().values()) == {"counted"}
    corrections.reading(TakeBack(made[2].id), By())
    assert pulled.again()[str(made[2].id)] == "taken back"
    with engine.connect() as store:
        ((held, in_series),) = store.execute(select(Aside.reading_id, Aside.series_id)).all()
    assert (held, in_series) == (made[2].id, other)


@pytest.mark.parametrize("lost", ["DELETE FROM asides", "UPDATE asides SET why = 'bounced'"])
def test_a_store_that_says_otherwise_than_its_log_is_found_and_repaired(engine, lost):
    journal, pulled = Journal(engine), Pulled(engine)
    journal.start(new_series(journal.add_machine("the saw", "miter saw")))
    journal.keep([reading("11.40"), reading("0.00"), reading("0.01")])
    right = dict(pulled.again())
    with engine.begin() as store:
        store.execute(text(lost))
    with engine.connect() as store:
        (finding,) = doctor.findings(store)
        assert finding.repairable
        assert "in no trial" in finding.sentence
    doctor.repair(engine)
    assert pulled.again() == right
    # A store of an earlier step is filled in the same way.
    with engine.begin() as store:
        store.execute(text("DELETE FROM asides"))
        asides.fill(store)
    assert pulled.again() == right
