"""Pairing: what the person at the saw would lose if the fold were wrong."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.guard import Question
from analysis.units import parse_length
from capture.folded import State, next_place, place_of, trial_id
from capture.pairing import apply, fold
from capture.records import (
    Ask,
    Away,
    Corrected,
    CountAgain,
    Entry,
    Finish,
    Layout,
    LeaveOut,
    MoveIn,
    MoveOut,
    Press,
    Reading,
    Restore,
    Resume,
    Start,
    Stayed,
    SwapEnds,
    TakeBack,
)

SERIES = UUID(int=7)
REVERSAL = Layout(places=2, swap=(1, 0), closed_jaws=True)
NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


def reading(number: int, sent: str, *, at_ms: int | None = None, **more: object) -> Reading:
    at = number * 2000 if at_ms is None else at_ms
    made = Reading(
        id=UUID(int=1000 + number),
        bench="main",
        caliper="six-inch",
        sent=sent,
        unit="mm",
        nm=parse_length(sent, "mm"),
        taken_at=NOON + timedelta(milliseconds=at),
    )
    return replace(made, **more)  # type: ignore[arg-type]


def presses(*sent: str) -> list[Entry]:
    return [Press(reading(n, s)) for n, s in enumerate(sent)]


def widths(state: State) -> list[list[str | None]]:
    return [[p.reading.sent if p else None for p in t.slots] for t in state.trials]


def started(layout: Layout = REVERSAL) -> State:
    return fold([Start(SERIES, layout)])


def test_two_presses_make_a_trial_and_the_third_begins_the_next():
    state = fold(presses("12.30", "12.34", "11.96"), started())
    assert widths(state) == [["12.30", "12.34"], ["11.96", None]]
    assert [t.complete for t in state.trials] == [True, False]
    assert next_place(state) is not None
    assert next_place(state).place == 1  # type: ignore[union-attr]


def test_one_place_methods_complete_a_trial_at_each_press():
    state = fold(presses("412.1", "412.2"), started(Layout(places=1)))
    assert [t.complete for t in state.trials] == [True, True]


def test_each_place_is_read_as_often_as_asked_before_the_next():
    layout = Layout(places=2, repeats=2, swap=(1, 0), closed_jaws=True)
    state = fold(presses("12.30", "12.31", "12.34"), started(layout))
    assert [place_of(state.trials[0], s, layout) for s in range(4)] == [0, 0, 1, 1]
    upcoming = next_place(state)
    assert upcoming is not None
    assert (upcoming.place, upcoming.repeat) == (1, 1)


def test_a_bounced_press_counts_once_and_can_be_restored():
    first = reading(1, "12.30", at_ms=0)
    twice = reading(2, "12.30", at_ms=249)
    state, outcome = apply(fold([Press(first)], started()), Press(twice))
    assert outcome.kind == "bounced"
    assert widths(state) == [["12.30", None]]
    state, outcome = apply(state, Restore(twice.id))
    assert outcome.kind == "complete"
    assert widths(state) == [["12.30", "12.30"]]
    _, again = apply(state, Restore(twice.id))
    assert again.kind == "nothing to restore"


def test_equal_ends_of_a_square_strip_are_two_readings():
    state = fold(
        [Press(reading(1, "12.30", at_ms=0)), Press(reading(2, "12.30", at_ms=250))], started()
    )
    assert state.trials[0].complete


def test_a_different_value_within_the_bounce_time_is_kept():
    state = fold(
        [Press(reading(1, "12.30", at_ms=0)), Press(reading(2, "12.31", at_ms=40))], started()
    )
    assert state.trials[0].complete


def test_a_stepped_wall_clock_neither_hides_nor_makes_a_bounce():
    first = reading(1, "12.30", at_ms=0)
    # The wall clock jumped back an hour; the monotonic clock is right.
    honest = reading(2, "12.30", at_ms=-3_600_000, since_previous_ms=1500)
    bounce = reading(3, "12.30", at_ms=9_000_000, since_previous_ms=60)
    state, outcome = apply(fold([Press(first)], started()), Press(honest))
    assert outcome.kind == "complete"
    _, outcome = apply(state, Press(bounce))
    assert outcome.kind == "bounced"


def test_the_same_text_from_another_caliper_is_no_bounce():
    state = fold(
        [
            Press(reading(1, "12.30", at_ms=0)),
            Press(reading(2, "12.30", at_ms=20, caliper="other")),
        ],
        started(),
    )
    assert state.trials[0].complete


@pytest.mark.parametrize("closed", ["0.00", "-0.00", "0.05", "-0.05"])
def test_closed_jaws_take_back_the_last_reading(closed):
    state = fold(presses("12.30", "12.34"), started())
    state, outcome = apply(state, Press(reading(9, closed)))
    assert (outcome.kind, outcome.trial, outcome.reading) == ("taken back", 1, UUID(int=1009))
    assert widths(state) == [["12.30", None]]


def test_just_over_closed_is_a_reading():
    assert widths(fold(presses("0.06"), started())) == [["0.06", None]]


def test_methods_with_tiny_readings_keep_zeros():
    state = fold(presses("0.00", "0.02"), started(Layout(places=1)))
    assert widths(state) == [["0.00"], ["0.02"]]


def test_taking_back_goes_back_press_by_press_and_reuses_the_number():
    state = fold([*presses("12.30", "12.34", "11.90"), TakeBack(), TakeBack()], started())
    assert widths(state) == [["12.30", None]]
    state, outcome = apply(state, TakeBack())
    assert (outcome.kind, widths(state)) == ("taken back", [])
    _, outcome = apply(state, TakeBack())
    assert outcome.kind == "nothing to take back"


def test_a_named_reading_of_an_earlier_trial_can_be_taken_back():
    state = fold([*presses("1.1", "1.2", "2.1", "2.2"), TakeBack(UUID(int=1001))], started())
    assert widths(state) == [["1.1", None], ["2.1", "2.2"]]
    state = fold(presses("3.1"), state)
    assert widths(state)[0] == ["1.1", None]
    assert widths(state)[2] == ["3.1", None]


def test_a_hole_in_the_last_trial_is_filled_and_is_then_the_latest():
    state = fold([*presses("1.1", "1.2"), TakeBack(UUID(int=1000))], started())
    state = fold([Press(reading(8, "1.3"))], state)
    assert widths(state) == [["1.3", "1.2"]]
    assert widths(fold([TakeBack()], state)) == [[None, "1.2"]]


def test_swapping_names_the_places_the_other_way_and_twice_is_as_before():
    state = fold([*presses("12.30", "12.34"), SwapEnds()], started())
    trial = state.trials[0]
    assert [place_of(trial, s, REVERSAL) for s in (0, 1)] == [1, 0]
    assert trial.flags == ("ends swapped",)
    assert fold([SwapEnds()], state).trials[0].flags == ()


def test_swapping_after_the_first_end_makes_the_next_the_fence_end():
    upcoming = next_place(fold([*presses("12.30"), SwapEnds()], started()))
    assert upcoming is not None
    assert upcoming.place == 0


def test_a_method_without_ends_has_nothing_to_swap():
    _, outcome = apply(fold(presses("412.1"), started(Layout(places=1))), SwapEnds())
    assert outcome.kind == "nothing to swap"


def test_presses_before_a_start_or_after_a_finish_feed_nothing():
    state = fold([*presses("1.1"), Start(SERIES, REVERSAL), *presses("2.1"), Finish()])
    assert (state.series, state.trials, state.last_heard) == (None, (), {})
    after, outcome = apply(state, Press(reading(5, "3.1")))
    assert (outcome.kind, after) == ("no series", state)


def test_a_new_start_leaves_the_old_series_where_it_was():
    other = UUID(int=8)
    state = fold([*presses("1.1"), Start(other, REVERSAL)], started())
    assert (state.series, state.trials) == (other, ())


def test_odd_readings_are_kept_and_flagged():
    state = fold(
        [
            Press(reading(1, "-12.30")),
            Press(reading(2, "12.34", late=True)),
            Press(reading(3, "12.34", unit="in", nm=313_436_000)),
        ],
        started(),
    )
    assert state.trials[0].flags == ("negative", "late")
    assert state.trials[1].flags == ("beyond jaws", "unit changed", "unit slip?")


def test_trial_ids_are_the_same_on_every_replay():
    assert trial_id(SERIES, 3) == trial_id(SERIES, 3) != trial_id(SERIES, 4)


# ---------------------------------------------------------------- any log at all

_presses = st.builds(
    lambda n, sent, gap, caliper: Press(
        replace(
            reading(n, sent, caliper=caliper, since_previous_ms=gap),
        )
    ),
    n=st.integers(0, 5000),
    sent=st.sampled_from(["12.30", "12.34", "0.00", "0.04", "-3.2", "312.42"]),
    gap=st.sampled_from([None, 10, 249, 250, 4000]),
    caliper=st.sampled_from(["a", "b"]),
)
_entries = st.lists(
    st.one_of(
        _presses,
        st.builds(
            Start,
            st.sampled_from([SERIES, UUID(int=8)]),
            st.sampled_from([REVERSAL, Layout(1), Layout(1, repeats=3), Layout(2, 2, (1, 0))]),
        ),
        st.builds(TakeBack, st.none() | st.integers(1000, 6000).map(lambda i: UUID(int=i))),
        st.builds(SwapEnds, st.none() | st.integers(1, 4)),
        st.builds(Restore, st.integers(1000, 6000).map(lambda i: UUID(int=i))),
        st.builds(Away, st.none() | st.integers(1, 4)),
        st.builds(Stayed, st.none() | st.integers(1, 4)),
        st.just(Finish()),
        st.builds(Resume, st.sampled_from([SERIES, UUID(int=8)])),
    ),
    max_size=60,
)


@given(_entries, st.data())
def test_a_log_cut_anywhere_and_resumed_gives_the_same_trials(entries, data):
    whole = fold(entries)
    cut = data.draw(st.integers(0, len(entries)))
    assert fold(entries[cut:], fold(entries[:cut])) == whole


@given(_entries)
def test_what_came_before_the_last_start_does_not_matter(entries):
    starts = [i for i, e in enumerate(entries) if isinstance(e, Start)]
    if starts:
        assert fold(entries[starts[-1] :]) == fold(entries)


@given(_entries)
def test_no_press_counts_twice_and_none_is_lost(entries):
    """Every press of the running series is in a slot, was taken back, or is set aside."""
    state = State()
    stands: list[UUID] = []
    for entry in entries:
        state, outcome = apply(state, entry)
        stands = [p.reading.id for t in state.trials for p in t.slots if p]
        if isinstance(entry, Press) and outcome.kind in ("kept", "complete"):
            assert entry.reading.id in stands
        assert [t.number for t in state.trials] == list(range(1, len(state.trials) + 1))
        assert not state.trials or not state.trials[-1].empty
    orders = [p.order for t in state.trials for p in t.slots if p]
    assert len(orders) == len(set(orders)) == len(stands)


def test_a_resumed_series_goes_on_where_it_was():
    before = fold(presses("12.30", "12.34", "11.96"), started())
    over, outcome = apply(before, Finish())
    assert (outcome.kind, over.series, over.trials) == ("finished", None, ())
    late, told = apply(over, Press(reading(90, "99.00")))
    assert told.kind == "no series"
    again, outcome = apply(late, Resume(SERIES))
    assert outcome.kind == "resumed"
    # What was heard before the end says nothing of how long the series has been quiet since.
    assert again == replace(before, last_heard={})
    assert widths(apply(again, Press(reading(91, "12.00")))[0])[-1] == ["11.96", "12.00"]


def test_only_the_series_that_ended_can_be_resumed():
    over = fold([*presses("12.30"), Finish()], started())
    assert apply(over, Resume(UUID(int=8)))[1].kind == "nothing to resume"
    assert apply(State(), Resume(SERIES))[1].kind == "nothing to resume"
    other = fold([Start(UUID(int=8), REVERSAL)], over)
    assert apply(other, Resume(SERIES))[1].kind == "nothing to resume"
    assert apply(other, Resume(UUID(int=8))) == (other, apply(other, Resume(UUID(int=8)))[1])


def test_a_series_that_ended_as_another_started_is_resumed_from_its_own_entries():
    own = [Start(SERIES, REVERSAL), *presses("12.30"), Resume(SERIES), Press(reading(9, "12.40"))]
    assert widths(fold(own)) == [["12.30", "12.40"]]


# ------------------------------------------------------------ questions


def asked(number: int, sent: str) -> list[Entry]:
    said = reading(number, sent)
    return [Ask(said.id, Question("factor 10", parse_length("12.3", "mm"))), Press(said)]


def why(state: State) -> dict[str, str]:
    return {aside.reading.sent: aside.why for aside in state.latest.aside.values()}


def test_a_reading_that_is_asked_about_waits_until_the_next_one_takes_its_place():
    state = fold([*presses("12.30"), *asked(1, "123.40")], started())
    assert (widths(state), why(state)) == ([["12.30", None]], {"123.40": "awaiting"})
    assert next_place(state).place == 1
    state = fold([Press(reading(2, "12.34"))], state)
    assert (widths(state), why(state)) == ([["12.30", "12.34"]], {"123.40": "replaced"})
    # Its place was read again: only where that reading is taken back, it may have it.
    assert apply(state, Restore(reading(1, "123.40").id))[1].kind == "nothing to restore"
    state = fold([TakeBack(), Restore(reading(1, "123.40").id)], state)
    assert widths(state) == [["12.30", "123.40"]]


def test_of_two_that_are_asked_about_the_newer_waits():
    state = fold([*asked(0, "123.00"), *asked(1, "124.00")], started())
    assert (widths(state), why(state)) == ([], {"123.00": "replaced", "124.00": "awaiting"})


def test_a_reading_that_waits_is_right_when_that_is_said_and_gone_with_closed_jaws():
    waits = fold(asked(0, "123.40"), started())
    right, outcome = apply(waits, Restore(reading(0, "123.40").id))
    assert (outcome.kind, widths(right), right.awaiting) == ("kept", [["123.40", None]], None)
    gone, outcome = apply(waits, Press(reading(1, "0.00")))
    assert (outcome.kind, widths(gone), gone.awaiting) == ("taken back", [], None)
    assert why(gone) == {"123.40": "taken back", "0.00": "closed jaws"}


def test_a_reading_that_nobody_answered_for_is_in_no_trial_after_the_end():
    over = fold([*presses("12.30"), *asked(1, "123.40"), Finish()], started())
    assert (widths(over.latest), why(over)) == ([["12.30", None]], {"123.40": "awaiting"})
    late = fold([Corrected(SERIES, Restore(reading(1, "123.40").id))], over)
    assert (late.series, widths(late.latest)) == (None, [["12.30", "123.40"]])


# ------------------------------------------------------------ corrections


def test_a_correction_of_a_series_that_ended_changes_its_last_state_alone():
    over = fold([*presses("12.30", "12.34", "12.40", "12.50"), Finish()], started())
    left, outcome = apply(over, Corrected(SERIES, LeaveOut(2)))
    assert (outcome.kind, outcome.trials) == ("left out", (2,))
    assert [trial.left_out for trial in left.latest.trials] == [False, True]
    assert apply(left, Corrected(SERIES, CountAgain(2)))[0] == over
    assert apply(left, Corrected(SERIES, LeaveOut(2)))[1].did_nothing
    assert apply(over, Corrected(UUID(int=8), LeaveOut(2)))[1].kind == "no series"


def test_trials_that_moved_away_and_came_back_are_as_before():
    state = fold(presses("12.30", "12.34", "12.40", "12.50", "12.60"), started())
    moved = state.trials[1:]
    away, outcome = apply(state, Corrected(SERIES, MoveOut((2, 3))))
    assert (outcome.trials, widths(away)) == ((2, 3), [["12.30", "12.34"]])
    assert next_place(away).trial == 2
    assert apply(away, Corrected(SERIES, MoveIn(moved)))[0] == state
    # A number that was used again is not given to another trial.
    again = fold(presses("12.70"), away)
    assert apply(again, Corrected(SERIES, MoveIn(moved)))[1].kind == "nothing to move"


def test_the_ends_of_a_strip_stay_swapped_when_all_its_readings_come_back():
    first, second = (entry.reading for entry in presses("12.30", "12.34"))
    state = fold([*presses("12.30", "12.34"), SwapEnds()], started())
    none = fold([TakeBack(second.id), TakeBack(first.id)], state)
    assert none.trials == ()
    assert fold([Restore(first.id), Restore(second.id)], none).trials == state.trials


def visits(state: State) -> list[int]:
    return [trial.visit for trial in state.latest.trials]


def test_strips_after_away_and_back_are_another_visit_and_one_that_is_read_stays_in_its_own():
    state = fold([Start(SERIES, REVERSAL), *presses("12.30", "12.40", "12.31")])
    assert apply(fold([Start(SERIES, REVERSAL)]), Away())[1].kind == "nothing to change"
    # The strip that is half read was cut before.
    away, outcome = apply(state, Away(to_deg="45"))
    assert outcome.kind == "next visit"
    assert apply(away, Away())[1].kind == "nothing to change"
    assert apply(apply(away, Stayed())[0], Stayed())[1].kind == "nothing to change"
    state = fold(presses("12.41", "12.32", "12.42", "12.33", "12.43"), away)
    assert visits(state) == [1, 1, 2, 2]
    # Measured once more it is of the same visit.
    again = fold([TakeBack(), TakeBack(), *presses("12.33", "12.43")], state)
    assert visits(again) == [1, 1, 2, 2]
    assert visits(fold([Away(), *presses("12.34", "12.44")], state)) == [1, 1, 2, 2, 3]


def test_a_visit_is_corrected_afterwards_and_the_correction_undone():
    strips = presses("12.30", "12.40", "12.31", "12.41"), presses("12.32", "12.42")
    over = fold([Start(SERIES, REVERSAL), *strips[0], Away(), *strips[1], Finish()])
    assert visits(over) == [1, 1, 2]
    stayed, outcome = apply(over, Corrected(SERIES, Stayed(3)))
    assert (visits(stayed), outcome.trials) == ([1, 1, 1], (3,))
    assert apply(stayed, Corrected(SERIES, Away(3)))[0] == over
    earlier, outcome = apply(over, Corrected(SERIES, Away(2)))
    assert (visits(earlier), outcome.trials) == ([1, 2, 3], (2, 3))
    for wrong in (Away(1), Stayed(1), Away(9), Stayed(2)):
        assert apply(over, Corrected(SERIES, wrong))[1].kind == "nothing to change"
