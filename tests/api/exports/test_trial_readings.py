"""Which reading counts where: each place of each trial, as the ends are named now."""

from __future__ import annotations

from datetime import UTC, datetime

from api.exports import trial_readings
from api.exports.wanted import Wanted
from api.store.rows.events import last_event_id
from capture.records import SwapEnds
from tests.api.stores import fill

ALL = Wanted()


def slots(engine, wanted=ALL):
    """By trial, in the order of its slots: the place and the reading."""
    found = {}
    with engine.connect() as store:
        for block in trial_readings.blocks(store, wanted):
            for trial, slot, place, reading in zip(*block, strict=True):
                of = found.setdefault(trial, [])
                assert slot == len(of)
                of.append((place, int(reading.replace("-", ""), 16)))
    return found


def test_a_store_without_trials_has_no_rows(engine):
    assert slots(engine) == slots(engine, Wanted(after=0)) == {}


def test_what_was_taken_back_is_nowhere_and_a_restored_reading_counts(engine):
    fill(engine)
    found = sorted(slots(engine).values(), key=lambda of: min(n for _, n in of))
    readings = [sorted(n for _, n in of) for of in found]
    assert readings == [[2, 3], [4, 5], [7, 8], [10, 11], [12, 13], [14, 15], [16]]
    assert [place for place, _ in found[0]] == ["fence end", "open end"]


def test_a_swap_renames_the_ends_of_the_changed_trial_alone(engine):
    journal = fill(engine)
    with engine.connect() as store:
        before = last_event_id(store)
    was = slots(engine)
    assert slots(engine, Wanted(after=before)) == {}
    journal.act("side", SwapEnds(1))
    ((trial, changed),) = slots(engine, Wanted(after=before)).items()
    assert {n: p for p, n in changed} == {
        n: {"fence end": "open end", "open end": "fence end"}[p] for p, n in was[trial]
    }
    assert {**was, trial: changed} == slots(engine)


def test_a_pull_is_narrowed_by_method_and_moment(engine):
    fill(engine)
    assert slots(engine, Wanted(method="roll")) == {}
    assert len(slots(engine, Wanted(method="reversal"))) == 7
    assert slots(engine, Wanted(since=datetime(2126, 1, 1, tzinfo=UTC))) == {}
