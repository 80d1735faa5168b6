"""Lengths that no bench of its kind uses are asked about; those of an odd jig are not."""

from __future__ import annotations

import pytest

from analysis.methods import METHODS, custom_method
from analysis.setup_lengths import length_question
from analysis.units import parse_length, unit_text

MITER_SAW = "sliding compound miter saw"


def ask(kind, method, field, text, unit="mm"):
    return length_question(kind, METHODS[method], field, parse_length(text, unit), unit)


def test_a_cut_length_with_a_slipped_decimal_point_is_asked_about():
    asked = ask(MITER_SAW, "reversal", "baseline", "18.4")
    assert asked.proposed_nm == (184_000_000,)
    assert asked.sentence == (
        "The length of the cut is given as 18.4 mm; on a miter saw it is 25 to 500 mm. "
        "Is it 184 mm?"
    )
    for text in ("18400", "184000"):
        assert ask(MITER_SAW, "reversal", "baseline", text).proposed_nm[0] == 184_000_000


def test_a_length_in_the_other_unit_is_asked_about_in_that_of_the_series():
    inches = ask(" Table Saw", "roll", "baseline", "203", "in")
    assert inches.sentence.endswith(
        "on a table saw it is 0.98 to 98 in. Is it 7.9921 in (203 mm) or 20.3 in?"
    )
    # What is proposed can be given.
    for nm in inches.proposed_nm:
        assert parse_length(unit_text(nm, "in"), "in") == nm
    millimetres = ask(MITER_SAW, "reversal", "baseline", "8")
    assert millimetres.proposed_nm == (80_000_000, 203_200_000)
    assert millimetres.sentence.endswith("Is it 80 mm or 203.2 mm (8 in)?")


def test_what_no_slip_explains_is_asked_about_without_a_proposal():
    asked = ask("radial arm saw", "reversal", "baseline", "0.0001")
    assert asked.proposed_nm == ()
    assert asked.sentence.endswith("Check the number and its unit.")
    assert ask(None, "known-block", "baseline", "0").proposed_nm == ()


@pytest.mark.parametrize(
    ("kind", "method", "field", "text"),
    [
        (MITER_SAW, "reversal", "baseline", "38"),
        (MITER_SAW, "reversal", "baseline", "430"),
        (MITER_SAW, "closing-miters", "baseline", "18.4"),
        ("radial arm saw", "roll", "baseline", "700"),
        ("table saw sled", "five-cut", "baseline", "1200"),
        ("table saw", "blade-to-slot", "baseline", "180"),
        ("planer", "planed-thickness", "baseline", "20"),
        ("band saw", "reversal", "baseline", "12"),
        ("other", "reversal", "baseline", "3000"),
        (None, "known-block", "baseline", "0.5"),
        (MITER_SAW, "roll", "thickness", "6"),
        ("other", "half-turn", "thickness", "300"),
        (None, "reversal", "inset", "0"),
        (None, "reversal", "inset", "60"),
        (None, "reversal", "jaw_width", "3"),
    ],
)
def test_lengths_of_odd_boards_and_jigs_are_not_asked_about(kind, method, field, text):
    assert ask(kind, method, field, text) is None


def test_a_method_of_the_users_own_may_measure_over_anything():
    own = custom_method(
        {
            "key": "door", "places": ["one", "two"], "quantity": "angle",
            "terms": [[1, 1]], "baseline": "height of the door",
        }
    )  # fmt: skip
    assert length_question(MITER_SAW, own, "baseline", 2_000_000_000, "mm") is None
    assert length_question(MITER_SAW, own, "baseline", 2_000_000, "mm") is not None
