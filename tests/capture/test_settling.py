"""A stream to one reading per placement."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.settling import Settling

COUNT = 10_000  # 0.01 mm
HZ = 10


def settling(**options: int) -> Settling:
    return Settling(
        0.4,
        tolerance_nm=options.get("tolerance", 2 * COUNT),
        rearm_nm=options.get("rearm", 50 * COUNT),
    )


def fed(watch: Settling, counts: list[int], hz: float = HZ, start: float = 100.0) -> list[int]:
    """The readings, in counts, that a stream of `counts` gives."""
    given = [watch.feed(count * COUNT, start + n / hz) for n, count in enumerate(counts)]
    return [nm // COUNT for nm in given if nm is not None]


def opening(count: int) -> list[int]:
    """Jaws that open and close on `count`."""
    return [count + 300, count + 900, count + 1500, count + 900, count + 300]


def test_one_placement_is_one_reading_however_long_it_lasts() -> None:
    assert fed(settling(), [*opening(1234), *[1234] * 600]) == [1234]


def test_each_placement_is_a_reading_even_of_equal_strips() -> None:
    stream = [mark for _ in range(5) for mark in [*opening(1234), *[1234] * 10]]
    assert fed(settling(), stream) == [1234] * 5


def test_moving_jaws_give_none() -> None:
    watch = settling()
    assert fed(watch, [17 * n for n in range(500)]) == []
    assert watch.state == "moving"


def test_a_last_digit_that_flickers_neither_doubles_nor_loses_a_reading() -> None:
    chance = random.Random(8017)
    for _ in range(50):
        stream = [
            mark
            for _ in range(4)
            for mark in [*opening(1234), *[1234 + chance.choice((-1, 0, 0, 1)) for _ in range(40)]]
        ]
        got = fed(settling(), stream)
        assert len(got) == 4
        assert all(abs(count - 1234) <= 1 for count in got)


def test_the_reading_is_the_value_seen_most() -> None:
    assert fed(settling(), [*opening(50), 1235, 1234, 1234, 1234, 1235, 1234]) == [1234]


def test_closed_jaws_and_a_sleeping_display_give_none() -> None:
    watch = settling()
    assert fed(watch, [0] * 100) == []
    assert watch.state == "still"
    assert fed(watch, [1, 0, -1] * 30, start=200.0) == []


def test_closing_the_jaws_between_two_strips_arms_the_next_reading() -> None:
    stream = [*[1234] * 10, *[0] * 10, *[1234] * 10]
    assert fed(settling(), stream) == [1234, 1234]


def test_a_nudge_smaller_than_clear_movement_gives_no_second_reading() -> None:
    watch = settling()
    assert fed(watch, [*[1234] * 10, *[1244] * 10, *[1234] * 10]) == [1234]
    assert watch.state == "settled"


def test_a_stall_proves_nothing_about_what_stood_still() -> None:
    watch = settling()
    assert fed(watch, [1234, 1234], start=100.0) == []
    assert fed(watch, [1234, 1234], start=130.0) == []  # two agree, but not over the window
    assert fed(watch, [1234] * 4, start=130.2) == [1234]


def test_an_unplug_forgets_the_window_but_not_what_was_given() -> None:
    watch = settling()
    assert fed(watch, [1234] * 10) == [1234]
    watch.reset()
    assert fed(watch, [1234] * 10, start=200.0) == []
    assert fed(watch, [*opening(900), *[900] * 10], start=300.0) == [900]


def test_two_values_that_agree_in_passing_are_no_reading() -> None:
    assert fed(settling(), [900, 1234, 1234, 1900, 2500], hz=2) == []


@pytest.mark.parametrize(
    ("window", "tolerance", "rearm"), [(0.0, 1, 2), (0.4, -1, 2), (0.4, 5, 5), (float("nan"), 1, 2)]
)
def test_settings_that_contradict_themselves_are_refused(
    window: float, tolerance: int, rearm: int
) -> None:
    with pytest.raises(ValueError, match=r"window|tolerance"):
        Settling(window, tolerance_nm=tolerance, rearm_nm=rearm)


@given(st.lists(st.tuples(st.integers(-2000, 2000), st.floats(0, 2)), max_size=80))
@settings(max_examples=200)
def test_every_reading_was_seen_and_two_in_a_row_are_clearly_apart_or_moved(
    steps: list[tuple[int, float]],
) -> None:
    watch, now, last, moved = settling(), 0.0, None, True
    for count, wait in steps:
        now += wait
        nm = count * COUNT
        if last is not None and abs(nm - last) > watch.rearm_nm:
            moved = True
        got = watch.feed(nm, now)
        assert len(watch._seen) <= 3
        if got is not None:
            assert abs(got - nm) <= watch.tolerance_nm
            assert abs(got) > 0
            assert moved
            last, moved = got, False


def test_a_reading_comes_when_the_window_is_full_and_not_before() -> None:
    watch = settling()
    got = [watch.feed(1234 * COUNT, 100.0 + n / 8) for n in range(6)]  # exact in binary
    assert [nm is not None for nm in got] == [False, False, False, False, True, False]


def test_a_slow_stream_needs_three_values_that_agree() -> None:
    watch = settling()
    got = [watch.feed(1234 * COUNT, 100.0 + n / 2) for n in range(4)]
    assert [nm is not None for nm in got] == [False, False, True, False]


def test_values_exactly_the_tolerance_apart_still_stand_still() -> None:
    assert fed(settling(), [1234, 1236] * 5) == [1234]
    assert fed(settling(), [1234, 1237] * 9) == []
    assert fed(settling(tolerance=0), [1234] * 9) == [1234]


def test_only_more_than_the_clear_movement_arms_again() -> None:
    assert fed(settling(), [*[1234] * 8, *[1284] * 8]) == [1234]
    assert fed(settling(), [*[1234] * 8, *[1285] * 8]) == [1234, 1285]


def test_a_pause_of_a_second_starts_the_window_anew() -> None:
    watch = settling()
    assert [watch.feed(1234 * COUNT, at) for at in (100.0, 100.25, 101.25, 101.5)] == [None] * 4
    assert watch.feed(1234 * COUNT, 101.75) is not None
