"""The work that a query asks about: nothing, all of it, and what cannot be."""

from __future__ import annotations

import pytest

from analysis.work import AskedWork
from api.errors import InvalidField
from api.web.asked.work import work_of


def test_a_query_that_asks_nothing_asks_of_no_work():
    assert work_of(None, "", None, " ", None, "mm") == AskedWork(unit="mm")


def test_each_length_becomes_mm_and_keeps_its_unit_for_the_sentences():
    asked = work_of("2", "10", "20", "6", "0.01", "in")
    assert (asked.joint_mm, asked.width_mm, asked.height_mm) == pytest.approx((50.8, 254, 508))
    assert asked.gap_mm == pytest.approx(0.254)
    assert (asked.pieces, asked.unit) == (6, "in")


@pytest.mark.parametrize("pieces", ["4", "4.0", "4,0"])
def test_pieces_are_counted_however_the_count_is_written(pieces):
    assert work_of("80", None, None, pieces, None, "mm").pieces == 4


@pytest.mark.parametrize(
    ("field", "text", "says"),
    [
        ("pieces", "4.5", "whole number"),
        ("pieces", "four", "is no number"),
        ("joint", "0", "greater than zero"),
        ("width", "wide", "decimal number"),
        ("height", "-1", "greater than zero"),
        ("gap", "0", "greater than zero"),
    ],
)
def test_what_cannot_be_is_said_of_its_field(field, text, says):
    texts = dict.fromkeys(("joint", "width", "height", "pieces", "gap")) | {field: text}
    with pytest.raises(InvalidField, match=says) as caught:
        work_of(**texts, unit="mm")
    assert caught.value.field == field
