"""Entries as they are appended to a bench's log: what is asked about them, and their rows."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Row

from analysis.guard import Question
from analysis.methods import Place
from api.store.act_rows import act_row
from api.store.authors import UNSIGNED, Authored
from api.store.facts import method_of
from api.store.next_place import NextPlace
from api.store.stamps import new_id
from capture import folded, pairing, records
from capture.values import read_as

READING_COLUMNS: Final = (
    *("id", "bench_id", "seq", "caliper_id", "sent", "unit", "nm", "taken_at", "kept_at"),
    *("origin", "since_previous_ms", "late", "pass_id"),
)

Ask = Callable[[Row[Any], pairing.Folding, records.Reading], tuple[Question, str] | None]
"""What is asked about a reading that would be placed, and its sentence: given its series' row and
the fold so far."""


@dataclass(frozen=True, slots=True)
class BenchState:
    """A bench's state after the log entry `seq` and so many corrections of its series' settings;
    `series` is the row of the running one."""

    name: str
    id: int
    seq: int
    corrected: int
    state: folded.State
    series: Row[Any] | None


class Appended:
    """Entries as they are appended to a bench's log, one after the other.

    caliper: the id of the caliper with a name, heard at a moment. by: who hands the entries over;
    what is put before a reading, nobody does. readings and acts: their rows.
    heard: each reading as its series reads it, with what became of it. gone_on: the outcomes of
    what was put before readings.
    """

    def __init__(
        self,
        bench: BenchState,
        at: datetime,
        ask: Ask | None,
        caliper: Callable[[str, datetime], int],
        by: Authored = UNSIGNED,
    ) -> None:
        self.folding = pairing.Folding(bench.state)
        self.seq = bench.seq
        self.at = at
        self.readings: list[tuple[Any, ...]] = []
        self.acts: list[dict[str, Any]] = []
        self.acted = False
        self.gone_on: list[folded.Outcome] = []
        self.heard: list[tuple[records.Reading, dict[str, Any]]] = []
        self._bench = bench
        self._ask = ask
        self._caliper = caliper
        self._by = by
        # The start of a series and its readings never come in the same call.
        self._places: Sequence[Place] = ()
        if bench.series is not None:
            self._places = method_of(bench.series).places

    def take(self, entry: records.Entry) -> folded.Outcome:
        if isinstance(entry, records.Press):
            return self._press(entry.reading)
        return self._act(entry, self._by)

    def _act(self, entry: records.Entry, by: Authored = UNSIGNED) -> folded.Outcome:
        self.acted = self.acted or not isinstance(entry, records.Ask)
        self.seq += 1
        self.acts.append(act_row(entry, new_id(), self._bench.id, self.seq, self.at, by))
        return self.folding.take(entry)

    def _press(self, reading: records.Reading) -> folded.Outcome:
        series = self._bench.series
        read, asked = reading, None
        if series is not None:
            read = read_as(reading, series.readings_unit)
            if self._ask is not None and self.folding.would_place(read):
                if (waits := self.folding.goes_on) is not None:
                    self.gone_on.append(self._act(records.Restore(waits)))
                asked = self._ask(series, self.folding, read)
        if asked is not None:
            self._act(records.Ask(reading.id, asked[0]))
        self.seq += 1
        caliper = self._caliper(reading.caliper, reading.taken_at)
        where = self._bench.id, self.seq, caliper, self.at
        self.readings.append(_reading_row(reading, *where, self._by.pass_id))
        outcome = self.folding.take(records.Press(read))
        fate: dict[str, Any] = {
            "outcome": outcome.kind,
            "trial": outcome.trial,
            "place": None if outcome.place is None else self._places[outcome.place].key,
            "next": _next_json(self.folding, self._places, series),
        }
        if asked is not None:
            fate |= {"question": asked[1], "asked": asked[0].kind}
            outcome = replace(outcome, question=asked[1])
        if read is not reading:
            fate["unit"] = read.unit
        self.heard.append((read, fate))
        return outcome


def _reading_row(
    reading: records.Reading,
    bench_id: int,
    seq: int,
    caliper_id: int,
    at: datetime,
    pass_id: UUID | None,
) -> tuple[Any, ...]:
    """In the order of `READING_COLUMNS`."""
    return (
        reading.id,
        bench_id,
        seq,
        caliper_id,
        reading.sent,
        reading.unit,
        reading.nm,
        reading.taken_at,
        at,
        reading.origin,
        reading.since_previous_ms,
        reading.late,
        pass_id,
    )


def _next_json(
    folding: pairing.Folding, places: Sequence[Place], series: Row[Any] | None
) -> dict[str, Any] | None:
    at = folding.next
    if at is None or series is None:
        return None
    return NextPlace(at, places[at.place], series.repeats).as_json()
