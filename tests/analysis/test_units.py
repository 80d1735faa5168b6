"""Lengths stay exact from the text as sent to whole nanometres and back."""

from __future__ import annotations

import re
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.units import mm, mm_text, parse_length, parse_number, plain_length, to_nanometres


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


@pytest.mark.parametrize(
    ("text", "unit", "nm", "plain"),
    [
        # 8.03125 in * 25,400,000 nm = 203,993,750 nm.
        ("8 1/32", "in", 203_993_750, "8.03125"),
        ("8-1/32", "in", 203_993_750, "8.03125"),
        ('8-1/32"', "in", 203_993_750, "8.03125"),
        ("8 1/32 in", "in", 203_993_750, "8.03125"),
        ("8 1/32 inches", "mm", 203_993_750, "203.99375"),
        # 25,400,000 nm / 64 = 396,875 nm.
        ("1/64", "in", 396_875, "0.015625"),
        ("63/64\u2033", "mm", 25_003_125, "25.003125"),
        ("8\u00bd", "in", 215_900_000, "8.5"),
        ("\u215b in", "mm", 3_175_000, "3.175"),
        ("8 3\u20444", "in", 222_250_000, "8.75"),
        ("5/4", "in", 31_750_000, "1.25"),
        ("8.5 in", "mm", 215_900_000, "215.9"),
        ("12,7 mm", "in", 12_700_000, "0.5"),
        ("203,86", "mm", 203_860_000, "203,86"),
    ],
)
def test_fractions_and_written_units_are_read_exactly(text, unit, nm, plain):
    assert parse_length(text, unit) == nm
    assert plain_length(text, unit) == plain
    assert parse_length(plain, unit) == nm


@pytest.mark.parametrize(
    ("text", "unit", "words"),
    [
        ("8 1/0", "in", "the number below the line is 2, 4, 8, 16, 32 or 64"),
        ("\u2153", "in", "1/3 is no fraction of an inch on a rule"),
        ("8 5/4", "in", "8 5/4: beside whole inches the fraction is less than one"),
        ("8 4/4", "in", "is less than one"),
        ("8 1/32", "mm", "fractions are of inches; write 8 1/32 in, or millimetres"),
        ("8 1/32 mm", "in", "fractions are of inches"),
        ("8.5 1/32", "in", "is not a length such as 8 1/32, 8-1/32 or 8.03125"),
        ("1/2/4", "in", "is not a length such as"),
        ("\u00bd\u00bd", "in", "is not a length such as"),
        ("8 in in", "mm", "'8 in' is not a plain decimal number"),
    ],
)
def test_what_is_no_fraction_of_a_rule_is_refused_in_words(text, unit, words):
    with pytest.raises(ValueError, match=re.escape(words)):
        parse_length(text, unit)


def test_millimetres_that_no_decimal_of_inches_is_are_not_rounded_in_silence():
    with pytest.raises(ValueError, match="10 mm is no plain number of inches"):
        plain_length("10 mm", "in")
