"""Lengths stay exact from the text as sent to whole nanometres and back."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.units import mm, mm_text, parse_length, parse_number, to_nanometres


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("8.026", "8.026"),
        ("203,86", "203.86"),
        (" +12.340 ", "12.340"),
        ("-.5", "-0.5"),
        ("5.", "5"),
        ("-0.00", "0"),
        ("000.50", "0.5"),
    ],
)
def test_a_number_is_read_as_it_is_written(text, number):
    assert parse_number(text) == Decimal(number)


@pytest.mark.parametrize(
    "text",
    ["", " ", ".", "-", "1e3", "nan", "inf", "1_000", "0x10", "1.2.3", "1,234.5", "- 1", "12 mm",
     "\u0661\u0662", "1\n2"],
)  # fmt: skip
def test_what_no_caliper_means_as_a_length_is_refused_with_the_text(text):
    with pytest.raises(ValueError, match="not a plain decimal number") as refused:
        parse_number(text)
    assert repr(text) in str(refused.value)


@given(st.integers(-(10**6), 10**6))
def test_every_count_of_a_caliper_in_inches_is_exact(counts):
    """In steps of 0.0005 in."""
    inches = Decimal(counts) * Decimal("0.0005")
    assert to_nanometres(inches, "in") == Fraction(counts) * Fraction(254, 10) * 10**6 / 2000


def test_one_inch_is_as_long_as_25_4_mm():
    assert parse_length("1", "in") == parse_length("25.4", "mm") == 25_400_000


@pytest.mark.parametrize(
    ("text", "unit", "words"),
    [
        ("0.0000001", "mm", "finer than a nanometre"),
        ("0.000000001", "in", "finer than a nanometre"),
        ("1000000.000001", "mm", "longer than a kilometre"),
        ("-1000001", "mm", "longer than a kilometre"),
        ("39370.1", "in", "longer than a kilometre"),
        ("9" * 19, "mm", "more digits than any caliper"),
        ("0." + "1" * 19, "mm", "more digits than any caliper"),
    ],
)
def test_a_length_that_cannot_be_kept_exactly_is_refused(text, unit, words):
    with pytest.raises(ValueError, match=words):
        parse_length(text, unit)


def test_a_kilometre_is_the_longest():
    assert parse_length("1000000", "mm") == 10**12
    assert parse_length("-1000000", "mm") == -(10**12)


@pytest.mark.parametrize(
    ("nm", "text"),
    [
        (0, "0"),
        (1, "0.000001"),
        (-1, "-0.000001"),
        (203_860_400, "203.8604"),
        (-12_340_000, "-12.34"),
        (100_000_000, "100"),
    ],
)
def test_millimetres_are_written_without_zeros_behind_them(nm, text):
    assert mm_text(nm) == text


@given(st.integers(-(10**12), 10**12))
def test_a_length_written_out_and_read_again_is_the_same(nm):
    assert parse_length(mm_text(nm), "mm") == nm
    assert mm(nm) == pytest.approx(float(mm_text(nm)), rel=1e-15)
