"""Numbers as the pages show them: the digits that their uncertainty supports, and no more."""

from __future__ import annotations

import math
from xml.etree import ElementTree

import pytest

from api.web.pages.shared import numbers


@pytest.mark.parametrize(
    ("value", "u", "unit", "sign", "shown"),
    [
        (0.0521, 0.011, "deg", False, "0.052°"),
        (-0.0521, 0.011, "deg", False, "−0.052°"),
        (0.0521, 0.0011, "deg", True, "+0.0521°"),
        (-0.0001, None, "deg", True, "0.000°"),
        (203.86, None, "mm", False, "203.86 mm"),
        (12.3456, 0.0996, "mm", False, "12.35 mm"),
    ],
)
def test_a_number_has_the_digits_that_its_uncertainty_supports(value, u, unit, sign, shown):
    element = ElementTree.fromstring(numbers.size(value, unit, u, sign=sign))
    assert element.text == shown
    assert float(element.get("value")) == value
    assert element.get("class") == {"deg": "ang", "mm": "len"}[unit]


@pytest.mark.parametrize("value", [None, math.nan, math.inf])
def test_no_number_is_a_dash(value):
    assert numbers.size(value, "deg") == "–"
    assert numbers.with_uncertainty(None, 0.1, "deg") == "–"


def test_a_number_without_uncertainty_claims_none():
    assert "±" not in numbers.with_uncertainty(0.1, None, "deg")
    assert str(numbers.with_uncertainty(0.1, 0.02, "deg")).count("<data") == 2
