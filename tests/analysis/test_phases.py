"""The result of each phase of a machine's history."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.drift import history
from analysis.phases import SUSPECTED, phase_by_phase

RNG = np.random.default_rng(11)
STEADY = RNG.normal(0.002, 0.0005, 12).tolist()
SHIFTED = [*RNG.normal(0.0, 0.0005, 9).tolist(), *RNG.normal(0.004, 0.0005, 9).tolist()]


def labels(values: list[float], first: int = 0) -> list[str]:
    return [f"day {n}" for n in range(first, first + len(values))]


def test_an_earlier_phase_says_what_it_would_say_as_the_last_one() -> None:
    values = [*STEADY, *SHIFTED, *STEADY]
    told = phase_by_phase(values, setup_changes=(12, 30), labels=labels(values))
    assert [(p.start, p.stop) for p in told.history.phases] == [(0, 12), (12, 30), (30, 42)]
    assert told.sentences == (
        history(STEADY, labels=labels(STEADY)).sentence,
        history(SHIFTED, labels=labels(SHIFTED, 12)).sentence,
        told.history.sentence,
    )


def test_a_shift_in_an_earlier_phase_keeps_its_place_in_the_whole_history() -> None:
    values = [*STEADY, *SHIFTED, *STEADY]
    told = phase_by_phase(values, setup_changes=(12, 30), labels=labels(values))
    ((number, shift),) = told.shifts
    assert number == 1
    assert shift.index == 12 + 9
    assert 12 <= shift.first <= shift.index <= shift.last < 30
    alone = history(SHIFTED, labels=labels(SHIFTED, 12)).change
    assert alone is not None
    assert shift == replace(alone, index=12 + alone.index, first=12 + alone.first,
                            last=12 + alone.last)  # fmt: skip


def test_a_shift_in_the_last_phase_is_the_one_the_history_tells() -> None:
    values = [*STEADY, *SHIFTED]
    told = phase_by_phase(values, setup_changes=(12,), labels=labels(values))
    assert told.shifts == ((1, told.history.change),)
    assert told.sentences[-1] == told.history.sentence


def test_what_shuffled_checks_show_as_often_is_not_suspected() -> None:
    found = history(STEADY, labels=labels(STEADY)).change
    assert found is not None
    assert found.p >= SUSPECTED
    assert phase_by_phase(STEADY, labels=labels(STEADY)).shifts == ()


def test_a_change_after_the_last_check_leaves_a_phase_without_checks() -> None:
    told = phase_by_phase(SHIFTED, setup_changes=(18,), labels=labels(SHIFTED))
    assert [p.checks for p in told.history.phases] == [18, 0]
    assert len(told.sentences) == 2
    assert [number for number, _ in told.shifts] == [0]
