"""A series begins with settings that can be right; any other is refused by its field."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from uuid import UUID

import pytest

from analysis.methods import METHODS, custom_method
from api.answers.settings import AskedSeries, new_series
from api.errors import InvalidField
from api.store.new_series import NewSeries
from tests.api.store.test_facts import OWN

_MACHINE = UUID(int=3)


def _asked(**said: Any) -> NewSeries:
    """A reversal, changed."""
    usual = AskedSeries(method="reversal", baseline="200", unit="mm", strip_side="left")
    return new_series(replace(usual, **said), _MACHINE)


def test_what_is_not_said_is_taken_from_the_method():
    found = _asked()
    assert (found.machine_id, found.bench, found.method) == (_MACHINE, "main", METHODS["reversal"])
    assert (found.baseline, found.baseline_nm) == ("200", 200_000_000)
    assert (found.thickness, found.thickness_nm) == (None, None)
    assert (found.inset, found.inset_nm) == ("0", 0)
    assert found.repeats == METHODS["reversal"].default_repeats
    assert _asked(repeats=3).repeats == 3


def test_lengths_keep_their_text_and_their_exact_size():
    found = _asked(baseline="8.026", inset="0.1", unit="in")
    assert (found.unit, found.baseline, found.inset) == ("in", "8.026", "0.1")
    assert (found.baseline_nm, found.inset_nm) == (203_860_400, 2_540_000)


def test_a_method_without_sides_or_lengths_needs_neither():
    found = new_series(AskedSeries(method="same-spot"), _MACHINE)
    assert (found.unit, found.strip_side, found.baseline_nm) == ("mm", "left", None)


def test_pieces_are_those_of_the_method_or_those_asked_for():
    miters = {"method": "closing-miters", "baseline": "80", "strip_side": None}
    assert _asked(**miters).pieces == METHODS["closing-miters"].pieces
    assert _asked(**miters, pieces=6).pieces == 6


def test_a_method_of_ones_own_is_taken_from_those_given():
    own = custom_method(OWN)
    asked = AskedSeries(method="sled-turn", baseline="300", unit="mm", strip_side="left")
    assert new_series(asked, _MACHINE, {own.key: own}).method is own
    with pytest.raises(InvalidField, match="sled-turn"):
        new_series(asked, _MACHINE)


@pytest.mark.parametrize(
    ("wrong", "field", "says"),
    [
        ({"method": "reverse"}, "method", "reversal"),
        ({"method": ""}, "method", "reversal"),
        ({"strip_side": None}, "strip_side", "it sets the sign"),
        # Lengths.
        ({"baseline": ""}, "baseline", "decimal number"),
        ({"baseline": "eight"}, "baseline", "decimal number"),
        ({"thickness": "thin"}, "thickness", "decimal number"),
        ({"inset": "none"}, "inset", "decimal number"),
        ({"baseline": None}, "baseline", "Reversal needs the length of the cut"),
        ({"method": "roll"}, "thickness", "needs the board's thickness"),
        ({"baseline": "0"}, "baseline", "must be greater than zero"),
        ({"thickness": "-19"}, "thickness", "-19 mm must be greater than zero"),
        ({"baseline": "0.999999"}, "baseline", "less than a millimetre"),
        ({"thickness": "0.03", "unit": "in"}, "thickness", "0.03 in is less than a millimetre"),
        ({"inset": "-0.1"}, "inset", "-0.1 mm must be zero or more"),
        ({"inset": "100"}, "inset", "leaves nothing of a cut 200 mm long"),
        # How well lengths are known.
        ({"baseline_within": "-1"}, "baseline_within", "-1 mm must be zero or more"),
        ({"inset_within": "-1"}, "inset_within", "zero or more"),
        ({"straightness": "-1"}, "straightness", "zero or more"),
        ({"straightness": "very"}, "straightness", "decimal number"),
        # Pieces.
        ({"pieces": 4}, "pieces", "Reversal has no pieces to count"),
        (
            {"method": "closing-miters", "baseline": "80", "pieces": 2},
            "pieces",
            "give 3 or more",
        ),
        # Tolerances.
        ({"tolerance_deg": "0"}, "tolerance_deg", "between 0 and 90"),
        ({"tolerance_deg": "x"}, "tolerance_deg", "decimal number"),
        ({"tolerance_gap": "0.1"}, "tolerance_joint", "is needed with the gap"),
        ({"tolerance_joint": "100"}, "tolerance_gap", "is needed with the length of the joint"),
        (
            {"tolerance_length": "0.1"},
            "tolerance_nominal",
            "is needed with how far the length may be off",
        ),
        ({"tolerance_nominal": "9"}, "tolerance_length", "is needed with the nominal length"),
        (
            {"tolerance_deg": "1", "tolerance_gap": "1", "tolerance_joint": "9"},
            "tolerance_gap",
            "one tolerance only, this or the angle",
        ),
        (
            {"tolerance_length": "1", "tolerance_nominal": "9"},
            "tolerance_length",
            "Reversal shows an angle",
        ),
        (
            {"method": "stop-block", "baseline": None, "tolerance_deg": "1"},
            "tolerance_deg",
            "Stop block shows a length",
        ),
        (
            {"method": "stop-block", "tolerance_length": "x", "tolerance_nominal": "9"},
            "tolerance_length",
            "decimal number",
        ),
    ],
)
def test_a_setting_that_cannot_be_right_is_refused_by_its_field(wrong, field, says):
    with pytest.raises(InvalidField, match=field) as told:
        _asked(**wrong)
    assert told.value.field == field
    assert says in told.value.message
    assert not told.value.message.startswith(field)


@pytest.mark.parametrize(
    "length",
    [
        {"baseline": "300"},
        {"thickness": "19"},
        {"inset": "2"},
        {"tolerance_gap": "0.1", "tolerance_joint": "100"},
        {"tolerance_length": "0.1", "tolerance_nominal": "300"},
        {"baseline_within": "1"},
        {"inset_within": "1"},
        {"straightness": "0.1"},
    ],
    ids=lambda length: next(iter(length)),
)
def test_a_length_needs_its_unit(length):
    with pytest.raises(InvalidField, match="'mm' or 'in'") as told:
        new_series(AskedSeries(method="stop-block", **length), _MACHINE)
    assert told.value.field == "unit"


@pytest.mark.parametrize(
    "right",
    [
        {"baseline": "1", "inset": "0.499999"},
        {"baseline_within": "0", "inset_within": "0", "straightness": "0"},
        {"tolerance_deg": "0.1"},
        {"tolerance_gap": "0.1", "tolerance_joint": "100"},
        {"method": "closing-miters", "baseline": "80", "pieces": 3},
        {"method": "stop-block", "tolerance_length": "0.1", "tolerance_nominal": "300"},
    ],
)
def test_what_just_can_be_right_is_taken(right):
    found = _asked(**right)
    for field, value in right.items():
        given = found.method.key if field == "method" else getattr(found, field)
        assert given == value


@pytest.mark.parametrize(
    ("said", "field", "says"),
    [
        ({"nominal_deg": "22.5"}, "pieces", "4 pieces close a frame at a stop of 45 degrees"),
        ({"nominal_deg": "45", "bevel_deg": "30"}, "stop", "not both at once"),
        ({"method": "reversal", "nominal_deg": "45"}, "stop", "up to 10 degrees from square"),
        ({"method": "half-turn", "thickness": "19", "bevel_deg": "45"}, "stop", "closing miters"),
    ],
)
def test_a_stop_that_a_method_does_not_measure_is_refused_with_what_does(said, field, says):
    frame = {"method": "closing-miters", "baseline": "150", "unit": "mm", "strip_side": "left"}
    with pytest.raises(InvalidField, match=says) as refused:
        new_series(AskedSeries(**(frame | said)), _MACHINE)
    assert refused.value.field == field


def test_a_frame_is_closed_at_the_stop_of_its_corners():
    asked = AskedSeries(
        method="closing-miters", baseline="150", unit="mm", nominal_deg="-22.5", pieces=8
    )
    assert new_series(asked, _MACHINE).pieces == 8
