"""A machine's history in phases: what is told of each, in words that hold."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest

from analysis.phases import Checks, Phase, measured_of, phase_by_phase
from tests.analysis.chance import within_chance


def checks(
    values: Sequence[float],
    *,
    trials: Sequence[int] | int = 4,
    sd: Sequence[float] | float = 2e-3,
    rounding: float = 1e-6,
    per_reading: Sequence[float] | float = 1.0,
    shared: float = 0.0,
    group: Sequence[str] | None = None,
) -> Checks:
    """Checks of so many trials, whose scatter is `sd`."""
    n = len(values)
    counts, scatter = np.broadcast_to(trials, n), np.broadcast_to(np.asarray(sd, float), n)
    return Checks(
        np.asarray(values, float),
        counts,
        np.where(counts > 1, scatter, np.nan),
        scatter / np.sqrt(counts),
        np.full(n, rounding),
        np.broadcast_to(np.asarray(per_reading, float), n),
        np.full(n, shared),
        ["one"] * n if group is None else group,
    )


def told(values: Sequence[float], **settings: object) -> Phase:
    """The present phase of a history without a setup change, in mm."""
    return phase_by_phase(checks(values, **settings), unit="mm")[-1]  # type: ignore[arg-type]


RNG = np.random.default_rng(11)
STEADY = RNG.normal(0.002, 0.001, 16)
SHIFTED = np.concatenate([RNG.normal(0.0, 0.001, 16), RNG.normal(0.008, 0.001, 10)])
CREPT = RNG.normal(0.0, 0.001, 40) + 0.0004 * np.maximum(np.arange(40) - 14, 0)


def test_a_stable_machine_is_said_to_show_no_change() -> None:
    found = told(STEADY)
    assert found.sentence.startswith("No change shows: 16 series, all within 0.00")
    assert found.changes == ()
    assert found.out == ()
    assert found.lower is not None
    assert found.upper is not None
    assert found.centre == pytest.approx(STEADY.mean(), rel=1e-6)
    furthest = np.abs(STEADY - STEADY.mean()).max()
    assert float(found.sentence.split("within ")[1].split()[0]) == pytest.approx(furthest, rel=0.05)


def test_a_lasting_shift_is_told_with_its_place_and_its_size() -> None:
    labels = [f"day {n}" for n in range(26)]
    (found,) = phase_by_phase(checks(SHIFTED), labels=labels, unit="mm")
    (shift,) = found.changes
    assert (shift.kind, shift.index) == ("shift", 16)
    assert shift.first <= 16 <= shift.last
    assert 16 <= shift.told_at <= 18
    assert shift.after - shift.before == pytest.approx(0.008, abs=0.001)
    assert shift.p < 0.01
    assert (
        found.sentence
        == "A lasting shift of about 0.009 mm began most likely with the series of day 16."
    )
    # What is usual is what was seen since.
    assert found.since == shift.index
    assert found.centre == pytest.approx(shift.after, abs=0.0005)


def test_a_creep_is_told_as_a_creep_and_a_shift_is_not() -> None:
    found = told(CREPT)
    (creep,) = found.changes
    assert creep.kind == "creep"
    assert creep.last == 39
    assert 10 <= creep.first <= 20
    assert creep.after - creep.before == pytest.approx(0.01, abs=0.002)
    assert found.sentence.endswith("Something wears or works loose: check it again soon.")
    over = phase_by_phase(checks(CREPT), setup_changes=[40], unit="mm")[0]
    assert over.sentence == creep.sentence
    assert "shift" not in found.sentence
    assert "crept" not in told(SHIFTED).sentence


def test_one_check_outside_is_no_lasting_shift_and_spoils_none_of_the_later_ones() -> None:
    values = np.concatenate([STEADY, STEADY])
    values[16] += 0.03
    found = told(values)
    assert (found.out, found.changes) == ((16,), ())
    assert found.sentence == "Outside what the series before led to expect: series 17."
    assert found.expected[16] is not None
    low, high = found.expected[16]
    assert not low < values[16] < high
    # Left out, it widens no later limits.
    assert found.expected[20] is not None
    assert found.expected[20][1] - found.expected[20][0] < 1.2 * (high - low)


def test_a_shift_that_begins_with_a_check_outside_is_a_shift() -> None:
    values = np.concatenate([STEADY, STEADY + 0.02])
    found = told(values)
    assert found.out == (16,)
    assert [(c.kind, c.index) for c in found.changes] == [("shift", 16)]


def test_two_shifts_there_and_back_are_two() -> None:
    values = np.concatenate([STEADY, STEADY + 0.01, STEADY])
    found = told(values)
    assert [c.kind for c in found.changes] == ["shift", "shift"]
    assert [c.index for c in found.changes] == [16, 32]
    assert found.centre == pytest.approx(STEADY.mean(), abs=1e-3)


@pytest.mark.parametrize("noise", [0.0, 1e-17])
def test_equal_checks_never_creep_nor_shift(noise: float) -> None:
    values = 0.35 + noise * np.random.default_rng(1).normal(size=40)
    for n in range(3, 41):
        found = told(values[:n], sd=0.0, rounding=0.004)
        assert found.sentence == (
            f"No change shows: all {n} series are alike to the caliper's last digit."
        )


def test_checks_that_differ_by_one_count_now_and_then_have_not_changed() -> None:
    rng = np.random.default_rng(2)
    changed = 0
    for middle in rng.uniform(-0.5, 0.5, 60):
        values = 0.01 * np.rint(middle + rng.normal(0, 0.25, 40))
        found = told(values, sd=0.0, rounding=0.01 / math.sqrt(12))
        changed += bool(found.changes or found.out)
    assert changed <= 6


def test_checks_of_single_trials_among_others_raise_no_alarm() -> None:
    """A fifth of the checks are single trials, which show nothing of the saw's scatter."""
    rng = np.random.default_rng(3)
    runs, hits = 120, 0
    for _ in range(runs):
        n = rng.choice([1, 5, 5, 5, 5], 40)
        sd = 0.01 * np.sqrt(rng.chisquare(np.maximum(n - 1, 1)) / np.maximum(n - 1, 1))
        given = checks(0.01 * rng.normal(size=40) / np.sqrt(n), trials=n, sd=sd)
        # What measuring alone adds to a single trial is a quarter of the scatter.
        alone = np.where(n > 1, given.alone, 0.0025)
        fields = (given.rounding, given.per_reading, given.shared, given.group)
        (found,) = phase_by_phase(Checks(given.values, n, given.sd, alone, *fields))
        hits += bool(found.changes or found.out)
    assert hits <= 0.05 * runs + 4 * math.sqrt(0.05 * 0.95 * runs)


def test_the_interval_of_a_shift_holds_its_place_as_often_as_it_says() -> None:
    rng = np.random.default_rng(4)
    told_of, held = 0, 0
    for _ in range(100):
        found = told(rng.normal(size=26) + 3.0 * (np.arange(26) >= 15), sd=2.0)
        for change in found.changes[:1]:
            told_of += change.kind == "shift"
            held += change.kind == "shift" and change.first <= 15 <= change.last
    assert told_of > 80
    assert held >= told_of * 0.95 - 4 * math.sqrt(told_of * 0.95 * 0.05)


def test_the_scatter_of_a_trial_is_pooled_where_it_is_alike() -> None:
    """Boards of two lengths: the scatter of the cut is the same angle, that of the readings the
    same length. Whichever was simulated, the checks are weighted by it."""
    rng = np.random.default_rng(5)
    steep = np.tile([1.0, 5.0], 20)
    for by_reading in (False, True):
        true = steep if by_reading else np.ones(40)
        sd = true * np.sqrt(rng.chisquare(3, 40) / 3)
        known = measured_of(checks(rng.normal(size=40), sd=sd, per_reading=steep)).variances[-1]
        assert known == pytest.approx(true**2 / 4, rel=0.5)
    # A single trial is as uncertain as the scatter of the others' trials.
    single = checks(np.zeros(40), trials=[1, *[4] * 39], sd=1.0)
    assert measured_of(single).variances[-1][0] == pytest.approx(1.0)


def test_a_caliper_that_reads_a_little_off_makes_no_shift() -> None:
    rng = np.random.default_rng(6)
    values = np.concatenate([rng.normal(0, 0.002, 12), rng.normal(0.015, 0.002, 12)])
    group = ["red"] * 12 + ["blue"] * 12
    assert told(values, sd=0.004, shared=0.012, group=["red"] * 24).changes
    assert not told(values, sd=0.004, shared=0.012, group=group).changes


def test_a_setup_change_starts_anew_and_earlier_phases_keep_what_they_told() -> None:
    values = np.concatenate([STEADY, SHIFTED, STEADY])
    found = phase_by_phase(checks(values), setup_changes=[16, 42], unit="mm")
    assert [(p.start, p.stop) for p in found] == [(0, 16), (16, 42), (42, 58)]
    assert [len(p.changes) for p in found] == [0, 1, 0]
    assert found[1].changes[0].index == 32
    assert found[1].since == 32
    assert found[2].sentence.startswith("No change shows since the last setup change: 16 series")
    assert found[0].sentence.startswith("No change shows: 16 series")
    assert [len(p.expected) for p in found] == [16, 26, 16]
    assert found[1].expected[:2] == (None, None)


@pytest.mark.parametrize(
    ("values", "setup_changes", "says"),
    [
        ([], [], "No series yet."),
        ([1.0], [1], "No series yet since the last setup change."),
        ([1.0], [], "Only 1 series: a change can show from 3 on."),
        ([1.0, 2.0], [], "Only 2 series: a change can show from 3 on."),
        ([1.0, 2.0, 3.0], [0], "No change shows: 3 series, all within 1.0 mm of their mean."),
        ([1.0, 2.0, 3.0], [1], "Only 2 series since the last setup change: a change can show"),
    ],
)
def test_a_short_history_answers_in_words(
    values: list[float], setup_changes: list[int], says: str
) -> None:
    found = phase_by_phase(checks(values), setup_changes=setup_changes, unit="mm")
    assert found[-1].sentence.startswith(says)
    assert "nan" not in repr(found)


def test_a_setup_change_outside_the_history_is_named() -> None:
    with pytest.raises(ValueError, match="check 4"):
        phase_by_phase(checks([1, 2, 3]), setup_changes=[4])
    with pytest.raises(ValueError, match="one label for each"):
        phase_by_phase(checks([1, 2, 3]), labels=["a"])


def test_looks_that_are_computed_in_blocks_tell_what_a_person_saw_at_each() -> None:
    """After each check the history tells a change of every look that told one before."""
    rng = np.random.default_rng(7)
    values = np.concatenate([rng.normal(0, 1, 60), rng.normal(4, 1, 60)])
    values[30] += 12
    whole = told(values, sd=2.0)
    assert whole.out
    assert whole.changes
    for n in range(25, 121, 5):
        early = told(values[:n], sd=2.0)
        assert early.out == tuple(i for i in whole.out if i < n)
        for then, now in zip(early.expected, whole.expected, strict=False):
            assert then == (None if now is None else pytest.approx(now))
        seen = [c.told_at for c in early.changes]
        assert seen == [c.told_at for c in whole.changes if c.told_at < n]


def test_false_alarms_of_the_whole_history_are_those_of_its_looks() -> None:
    rng = np.random.default_rng(8)
    runs = 200
    hits = sum(
        bool(found.changes or found.out)
        for _ in range(runs)
        if (found := told(rng.normal(size=40), sd=2.0))
    )
    assert within_chance(hits, runs, 0.045)
