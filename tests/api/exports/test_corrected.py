"""What was corrected comes again in a pull, and says so, whoever pulls from when on."""

from __future__ import annotations

from typing import Any
from uuid import UUID

import pytest

from api.exports import changes as trail
from api.exports import readings, trials
from api.exports.cursor import EVENT_KINDS, latest, number
from api.exports.wanted import Wanted
from api.store.corrections import Corrections
from api.store.journal import Journal
from api.store.machine_records import MachineRecords
from api.store.people_records import PeopleRecords
from api.store.rows import changes
from api.store.trail import By
from capture.records import LeaveOut, TakeBack
from tests.api.entries import new_series, reading


def _unchecked(_columns: Any) -> None:
    """Accepts any settings."""


class Pulls:
    """Pulls of one table, each of what is new since the one before."""

    def __init__(self, engine, table, **asked) -> None:
        self._engine, self._table, self._asked = engine, table, asked
        self._cursor = "0"
        self.have: dict[str, dict[str, Any]] = {}

    def pull(self) -> list[dict[str, Any]]:
        with self._engine.connect() as store:
            after = number(store, self._cursor)
            name = self._table.TABLE.name  # changes are a part of the whole history
            self._cursor = latest(store, EVENT_KINDS.get(name, EVENT_KINDS["history"]))
            found = self._rows(store, Wanted(after=after, **self._asked))
        self.have |= {row[self._table.TABLE.key[0]]: row for row in found}
        return found

    def is_whole(self) -> bool:
        with self._engine.connect() as store:
            whole = self._rows(store, Wanted(**self._asked))
        key = self._table.TABLE.key[0]
        folded = {k: row for k, row in self.have.items() if row.get("state") != "gone"}
        return folded == {row[key]: row for row in whole}

    def _rows(self, store, wanted: Wanted) -> list[dict[str, Any]]:
        return [
            dict(zip(self._table.TABLE.header, row, strict=True))
            for block in self._table.blocks(store, wanted)
            for row in zip(*block, strict=True)
        ]


@pytest.fixture
def journal(engine) -> Journal:
    return Journal(engine)


@pytest.fixture
def corrections(journal) -> Corrections:
    return Corrections(journal.transactions)


def test_what_is_corrected_comes_again_until_it_is_undone(engine, journal, corrections):
    saw, sled = (journal.add_machine(name, "other") for name in ("Saw", "Sled"))
    series = journal.start(new_series(saw))
    journal.keep([reading(sent) for sent in ("12.30", "12.40", "12.50", "12.60")])
    first, other = Pulls(engine, trials), Pulls(engine, trials, machine=saw)
    values = Pulls(engine, readings)

    def pulled() -> tuple[list[Any], list[Any]]:
        found, _, again = first.pull(), other.pull(), values.pull()
        assert first.is_whole()
        assert other.is_whole()
        assert values.is_whole()
        return [row["corrected"] for row in found], [row["reading_mm"] for row in again]

    def undo_last() -> None:
        with engine.connect() as store:
            last = changes.of_series(store, series)[-1].id
        corrections.undo(last, By(), _unchecked)

    assert pulled() == (["", ""], ["12.3", "12.4", "12.5", "12.6"])
    corrections.series(series, {"baseline": "20", "machine": str(sled)}, By(), _unchecked)
    assert pulled()[0] == ["baseline machine"] * 2
    assert {row["state"] for row in other.have.values()} == {"gone"}
    undo_last()
    assert pulled()[0] == ["", ""]
    corrections.series(series, {"readings_unit": "in"}, By(), _unchecked)
    assert pulled() == (["readings_unit"] * 2, ["312.42", "314.96", "317.5", "320.04"])
    undo_last()
    pulled()
    corrections.trial(series, LeaveOut(2), By("Ada", "a knot"))
    (left,) = first.pull()
    assert (left["number"], left["state"], left["corrected"]) == (2, "left out", "counted")
    made = corrections.move(series, 2, By(), new=lambda _row: new_series(sled))
    assert pulled() == (["", "moved"], ["12.5", "12.6"])
    assert {row["series_id"] for row in values.have.values()} == {str(series), str(made)}
    one = UUID(next(iter(values.have)))
    corrections.reading(TakeBack(one), By())
    assert pulled()[1] == ["12.3"]


def test_every_change_comes_in_the_next_pull_and_again_where_a_person_is_renamed(engine, journal):
    series = journal.start(new_series(journal.add_machine("Saw", "other")))
    never, other = (journal.add_machine(name, "other") for name in ("Never used", "Other"))
    corrections, records = Corrections(journal.transactions), MachineRecords(journal.transactions)
    pulls = Pulls(engine, trail)
    corrections.series(series, {"note": "oak"}, By("Ada"), _unchecked)
    assert [row["who"] for row in pulls.pull()] == ["Ada"]
    records.machine(never, {"note": "sold"}, By("Ben"))
    assert [row["after"] for row in pulls.pull()] == ['"sold"']
    corrections.series(series, {"person": "Ada", "machine": str(never)}, By("Ben"), _unchecked)
    pulls.pull()
    records.merge(never, other, By("Ben"))
    assert [row["field"] for row in pulls.pull()][-2:] == ["merged into", "machine"]
    assert pulls.is_whole()
    with engine.connect() as store:
        (ada,) = (each.id for each in changes.people(store) if each.name == "Ada")
    PeopleRecords(journal.transactions).rename(ada, "somebody")
    pulls.pull()
    assert pulls.is_whole()
    assert "Ada" not in str(pulls.have)
