"""Sentences on the pages: their measures marked, whatever the sentence is made of."""

from __future__ import annotations

import re

import pytest
from markupsafe import Markup

from analysis.sentences import Measure, Sentence, plain
from api.web.pages.shared.said import said


def marked(text: str) -> list[tuple[str, str | None, str, int, str]]:
    found = re.findall(
        r'<data class="measure" value="([^"]+)"(?: data-u="([^"]+)")?(?: data-bare="")?'
        r' data-unit="([^"]+)" data-decimals="([^"]+)">([^<]+)</data>',
        said(text),
    )
    return [(value, u or None, unit, int(decimals), as_) for value, u, unit, decimals, as_ in found]


@pytest.mark.parametrize(
    ("text", "measures"),
    [
        ("A joint 150 mm long stands 0.026 ± 0.010 mm open.",
         [("150.0", None, "mm", 0, "150 mm"), ("0.026", "0.01", "mm", 3, "0.026 ± 0.010 mm")]),
        ("By 0.22 degrees (0.189 to 0.248 degrees at 95 %).",
         [("0.22", None, "degrees", 2, "0.22 degrees"), ("0.189", None, "degrees", 3, "0.189"),
          ("0.248", None, "degrees", 3, "0.248 degrees")]),
        ("Of 0.33 mm per 300 mm (13.2 thou per foot).",
         [("0.33", None, "mm per 300 mm", 2, "0.33 mm per 300 mm"),
          ("13.2", None, "thou per foot", 1, "13.2 thou per foot")]),
        ("A gap of 0.004 in over a joint.", [("0.004", None, "in", 3, "0.004 in")]),
        ("Stops at 45 degrees, 1 in 20, 5 in all, 2026-03-02, 0.15 mm/s, 95 %.", []),
    ],
)  # fmt: skip
def test_the_measures_of_a_text_are_found_and_nothing_else(text, measures):
    assert marked(text) == measures
    assert Markup(said(text)).striptags() == text


def test_a_sentence_keeps_all_its_digits_and_no_text_becomes_markup():
    sentence = Sentence("<b> is off by ", Measure(0.0621, 0.0588, "degrees", 3), ".")
    assert marked(sentence) == [("0.0621", "0.0588", "degrees", 3, "0.062 ± 0.059 degrees")]
    assert said(sentence).startswith("&lt;b&gt; is off by <data")
    assert said(Markup("<b>0.5 mm</b>")) == "<b>0.5 mm</b>"


@pytest.mark.parametrize(
    ("value", "digits", "shown"),
    [
        (5.8e-05, 2, "0.000058"),
        (-2.66e-07, 2, "-0.00000027"),
        (1.25e6, 6, "1250000"),
        (203.99375, 6, "203.994"),
        (8.0, 6, "8"),
        (120.0, 2, "120"),
        (0.0, 2, "0"),
    ],
)
def test_a_number_is_never_written_with_an_exponent(value, digits, shown):
    assert plain(value, digits) == shown
