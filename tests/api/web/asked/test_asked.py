"""Lengths and numbers of a query: none, one, and what cannot be one, said of its field."""

from __future__ import annotations

import pytest

from api.errors import InvalidField
from api.web.asked import length_mm, number_of


@pytest.mark.parametrize("text", [None, "", "  "])
def test_what_is_left_out_is_nothing_and_not_zero(text):
    assert length_mm("width", text, "mm") is None
    assert length_mm("width", text, "in", zero=True) is None
    assert number_of("u", text) is None


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [("200", "mm", 200.0), ("12,5", "mm", 12.5), ("8.026", "in", 203.8604), (" 1 ", "in", 25.4)],
)
def test_a_length_is_read_in_its_unit_and_given_in_mm(text, unit, expected):
    assert length_mm("width", text, unit) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "says"),
    [("eight", "decimal number"), ("-3", "greater than zero"), ("0", "greater than zero")],
)
def test_what_is_no_length_is_said_of_its_field(text, says):
    with pytest.raises(InvalidField, match=says) as caught:
        length_mm("width", text, "mm")
    assert caught.value.field == "width"


def test_zero_is_a_length_only_where_it_may_be_and_less_never_is():
    assert length_mm("inset", "0", "mm", zero=True) == 0.0
    with pytest.raises(InvalidField, match="zero or more"):
        length_mm("inset", "-0.1", "mm", zero=True)


@pytest.mark.parametrize(
    ("text", "expected"), [("0.052", 0.052), ("0,052", 0.052), ("-3", -3.0), ("1e-3", 0.001)]
)
def test_a_number_is_read_with_either_decimal_mark(text, expected):
    assert number_of("angle", text) == expected


@pytest.mark.parametrize("text", ["wide", "nan", "inf", "-inf", "1,2,3", "1e999"])
def test_what_is_no_finite_number_is_said_of_its_field(text):
    with pytest.raises(InvalidField, match="is no number") as caught:
        number_of("angle", text)
    assert caught.value.field == "angle"
    assert text in str(caught.value)
