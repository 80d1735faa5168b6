"""The stored rows of a trial say what its readings say, and nothing of other trials."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta
from types import SimpleNamespace
from uuid import UUID

import pytest

from api.store.projection import project
from capture import folded, pairing
from capture.records import Entry, Layout, Press, Start, SwapEnds, TakeBack
from tests.api.entries import reading
from tests.api.store.test_facts import row

_SERIES = UUID(int=7)
_REVERSAL = Layout(places=2, swap=(1, 0), closed_jaws=True)


def _row(**said: object) -> SimpleNamespace:
    return row(id=_SERIES, inset_nm=0, **{"readings_unit": None, **said})


def _state(*entries: Entry, layout: Layout = _REVERSAL) -> folded.State:
    return pairing.fold([Start(_SERIES, layout), *entries])


def _presses(*sent: str, **more: object) -> list[Entry]:
    return [Press(replace(reading(s), **more)) for s in sent]


def test_a_complete_trial_has_its_values():
    presses = _presses("12.30", "12.70")
    (trial,), slots = project(_row(), _state(*presses), [1])
    assert trial.id == folded.trial_id(_SERIES, 1)
    assert (trial.series_id, trial.number, trial.state) == (_SERIES, 1, "complete")
    assert (trial.readings_mm, trial.deviation_mm) == ("12.3 12.7", "0.4")
    # tan e = D / (2 L)
    assert trial.angle_deg == pytest.approx(math.degrees(math.atan(0.4 / 400)), rel=1e-12)
    assert trial.tilt_deg is trial.length_mm is None
    assert trial.expanded_uncertainty_deg > 0
    assert trial.taken_at == presses[1].reading.taken_at
    ids = [press.reading.id for press in presses]
    assert [slot[:4] for slot in slots] == [(trial.id, 0, 0, ids[0]), (trial.id, 1, 1, ids[1])]


def test_an_open_trial_has_readings_and_no_values():
    (trial,), slots = project(_row(), _state(*_presses("12.30")), [1])
    assert (trial.state, trial.readings_mm, len(slots)) == ("open", "12.3", 1)
    assert (trial.deviation_mm, trial.angle_deg, trial.expanded_uncertainty_deg) == (None,) * 3


def test_a_trial_whose_readings_were_all_taken_back_is_gone():
    state = _state(*_presses("12.30"), TakeBack())
    assert state.trials == ()
    (trial,), slots = project(_row(), state, [1])
    assert (trial.id, trial.state) == (folded.trial_id(_SERIES, 1), "gone")
    assert (trial.readings_mm, trial.calipers, trial.taken_at, slots) == ("", (), None, [])


def test_no_trial_asked_for_is_no_row():
    assert project(_row(), _state(*_presses("12.30", "12.70")), []) == ([], [])


def test_swapped_ends_turn_the_sign_and_the_places():
    presses = _presses("12.30", "12.70")
    (trial,), slots = project(_row(), _state(*presses, SwapEnds()), [1])
    assert (trial.swapped, trial.flags, trial.deviation_mm) == (True, ("ends swapped",), "-0.4")
    assert trial.angle_deg == pytest.approx(-math.degrees(math.atan(0.4 / 400)), rel=1e-12)
    assert [(slot.slot, slot.place) for slot in slots] == [(0, 1), (1, 0)]


def test_a_row_does_not_depend_on_those_written_with_it():
    presses = _presses("12.30", "12.70", "12.305", "12.705", "12.31", "12.69")
    state = _state(*presses, SwapEnds(trial=3))
    together, slots = project(_row(), state, [1, 2, 3])
    alone = [project(_row(), state, [number]) for number in (1, 2, 3)]
    assert together == [trial for (trial,), _ in alone]
    assert slots == [slot for _, of_one in alone for slot in of_one]
    # The second was read to 0.005 mm, so its value is known better.
    coarse, fine, _ = (trial.expanded_uncertainty_deg for trial in together)
    assert fine < coarse


def test_each_caliper_is_named_once_in_the_order_of_the_places():
    layout = replace(_REVERSAL, repeats=2)
    of = [*_presses("12.30", caliper="b"), *_presses("12.30", caliper="a")]
    of += _presses("12.70", "12.70", caliper="b")
    (trial,), slots = project(_row(), _state(*of, layout=layout), [1])
    assert trial.calipers == ("b", "a")
    assert trial.deviation_mm == "0.4"
    assert [slot.place for slot in slots] == [0, 0, 1, 1]


def test_a_mean_is_written_to_the_nanometre():
    layout = replace(_REVERSAL, repeats=3)
    presses = _presses("12.30", "12.30", "12.31", "12.70", "12.70", "12.70")
    (trial,), _ = project(_row(), _state(*presses, layout=layout), [1])
    assert trial.deviation_mm == "0.396667"


def test_a_length_is_no_angle_and_has_no_uncertainty_in_degrees():
    series = _row(method="stop-block", baseline_nm=None)
    (trial,), _ = project(series, _state(*_presses("412.10"), layout=Layout(places=1)), [1])
    assert trial.length_mm == pytest.approx(412.10, rel=1e-15)
    assert trial.angle_deg is trial.tilt_deg is trial.expanded_uncertainty_deg is None


def test_a_late_press_is_the_latest_even_in_an_earlier_slot():
    presses = _presses("12.30", "12.70")
    first = presses[0].reading.id
    again = Press(replace(reading("12.32"), taken_at=presses[1].reading.taken_at))
    again = Press(replace(again.reading, taken_at=again.reading.taken_at + timedelta(hours=1)))
    (trial,), _ = project(_row(), _state(*presses, TakeBack(first), again), [1])
    assert trial.readings_mm == "12.32 12.7"
    assert trial.taken_at == again.reading.taken_at
