"""Reads the length in a line, or gives one sentence why there is none."""

from __future__ import annotations

import re
import string
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.units import Unit
from capture.errors import PatternError
from capture.values import Message, NotUnderstood, Pattern, Value, escaped, read_value


def value(text: str, unit: Unit | None = "mm", pattern: Pattern | None = None) -> Value:
    read = read_value(text, unit, pattern)
    assert isinstance(read, Value), read
    assert read.sent == text
    return read


def refusal(text: str, unit: Unit | None = "mm", pattern: Pattern | None = None) -> str:
    read = read_value(text, unit, pattern)
    assert isinstance(read, NotUnderstood), read
    return read.reason


@pytest.mark.parametrize(
    ("text", "number", "unit", "nm"),
    [
        ("12.34", "12.34", "mm", 12_340_000),
        ("12,34", "12.34", "mm", 12_340_000),
        ("1,234", "1.234", "mm", 1_234_000),
        (".5", "0.5", "mm", 500_000),
        ("5.", "5", "mm", 5_000_000),
        ("007.50", "7.50", "mm", 7_500_000),
        ("  12.34 ", "12.34", "mm", 12_340_000),
        ("\t12.34\t", "12.34", "mm", 12_340_000),
        ("0.584 in", "0.584", "in", 14_833_600),
        ("0.584in", "0.584", "in", 14_833_600),
        ('0.584"', "0.584", "in", 14_833_600),
        ("0.584 Inches", "0.584", "in", 14_833_600),
        ("0.584 INCH", "0.584", "in", 14_833_600),
        ("0.5845in", "0.5845", "in", 14_846_300),
        ("12.34 MM", "12.34", "mm", 12_340_000),
    ],
)
def test_a_plain_number_is_read_exactly(text: str, number: str, unit: str, nm: int) -> None:
    read = value(text)
    assert (str(read.number), read.unit, read.nm) == (number, unit, nm)


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("+1.2", "1.2"),
        ("-0.00", "-0.00"),
        ("- 12.3", "-12.3"),
        ("+ 12.3", "12.3"),
        ("\u221212.3", "-12.3"),
        ("\u2212 12.3", "-12.3"),
        ("A1 -12.3", "-12.3"),
    ],
)
def test_the_sign_is_kept_and_may_stand_apart(text: str, number: str) -> None:
    assert str(value(text).number) == number


@pytest.mark.parametrize("text", ["12.3-", "12.3 -", "12.3+", "12.3\u2212", "12.3- mm"])
def test_a_sign_behind_the_number_is_refused_not_guessed(text: str) -> None:
    assert "sign after" in refusal(text)


@pytest.mark.parametrize(
    "text", ["--12.3", "+-1", "\N{PLUS-MINUS SIGN}0.02", "\u201312.3", "(12.3)"]
)
def test_an_unknown_form_of_sign_is_refused(text: str) -> None:
    refusal(text)


@pytest.mark.parametrize(
    ("text", "label", "unit"),
    [
        ("A1 +12.34", "A1", "mm"),
        ("CH1: 12.34 mm", "CH1", "mm"),
        ("A=0.5in", "A", "in"),
        ("E1 12.3", "E1", "mm"),
        ("ID 12.3", "ID", "mm"),
        ("B 12.3", "B", "mm"),
        ("12.34 mm OK", None, "mm"),
        ("12.34 <", None, "mm"),
        ("12.34>", None, "mm"),
        ('0.5" NG', None, "in"),
        ('0.5"OK', None, "in"),
        ("12.34 GO", None, "mm"),
    ],
)
def test_labels_and_tolerance_flags_do_not_cost_the_reading(
    text: str, label: str | None, unit: str
) -> None:
    read = value(text)
    assert (read.label, read.unit) == (label, unit)


def test_a_unit_in_the_line_wins_over_the_default_and_is_told() -> None:
    assert value("0.500 in", "mm").nm == 12_700_000
    assert value("0.500 in", "mm").unit_in_line
    assert not value("0.500", "in").unit_in_line
    assert value("12.70 mm", "in").nm == 12_700_000


def test_a_unit_switched_in_mid_series_is_read_line_by_line() -> None:
    units = [value(text, "mm").unit for text in ("12.70 mm", "0.500 in", "12.70")]
    assert units == ["mm", "in", "mm"]


def test_a_unit_before_the_number_is_never_read_as_the_default_unit() -> None:
    assert value("in 0.500", "mm").unit == "in"
    assert value("in 0.500", "mm").unit_in_line
    assert "2 units" in refusal("in 0.500 mm")


def test_a_number_without_any_unit_asks_for_the_unit_option() -> None:
    assert "`unit`" in refusal("12.34", None)
    assert value("12.34 mm", None).nm == 12_340_000


@pytest.mark.parametrize("text", ["1,234.5", "1.234,5", "1.2.3", "12..3", "1,2,3", "12.,3"])
def test_two_decimal_marks_are_refused_not_guessed(text: str) -> None:
    assert "more than one decimal mark" in refusal(text)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("nan", "not a number"),
        ("NaN mm", "not a number"),
        ("-inf", "not a number"),
        ("Infinity", "not a number"),
        ("1e3", "exponent"),
        ("1.5E-3 mm", "exponent"),
        ("0x10", "not decimal"),
        ("1_000", "underscore"),
        ("\u0661\u0662.\u0663", "0 to 9"),
        ("\uff11\uff12", "0 to 9"),
        ("1\u00b2", "0 to 9"),
        ("12 34", "more than one number"),
        ("1 12.34", "more than one number"),
        ("12.34 56", "more than one number"),
        ("1/2 in", "fraction"),
        ("0.5 cm", "unit of mm or in"),
        ("12.3 N", "unit of mm or in"),
        ("measured 12.3 there", "unit of mm or in"),
        ("12.34m", "unit of mm or in"),
        ("A+12.3", "without a space"),
        ("x12.34", "without a space"),
        ("12\x0334", "control character"),
        ("12.3\x0b4", "control character"),
        ("A1\x0b12.3", "control character"),
        ("-", "no number"),
        (".", "no number"),
        ("", "empty"),
        ("  ", "empty"),
        ("0.0000001", "finer than a nanometre"),
        ("9" * 40, "more digits"),
        ("9" * 4000, "256 characters"),
        ("2000000", "longer than a kilometre"),
    ],
)
def test_what_is_not_one_plain_number_is_refused_with_its_reason(text: str, why: str) -> None:
    assert why in refusal(text)


@pytest.mark.parametrize(
    "text",
    [
        "Err",
        "ERROR",
        "E1",
        "E 01",
        "Err 3",
        "----",
        "---.--",
        "- - - -",
        "OFL",
        "OF",
        "O.L.",
        "Low battery",
        "LO BAT",
        "BAT 2.9",
        "BATT 2.9 V",
        "Battery low 12 %",
        "Ready",
        "Ready 9600",
        "Adapter v1.2 ready",
        "FW 1.2",
        "rst:0x1 (POWERON_RESET),boot:0x13",
        "serial: 12345",
        "Batt:2.9",
        "v 1.2",
        "E 3",
        "Hello from a caliper adapter",
    ],
)  # common practice, no source
def test_what_the_instrument_says_of_itself_is_a_message_not_a_reading(text: str) -> None:
    assert read_value(text, "mm") == Message(text)


def test_an_absurd_or_negative_length_is_kept_for_others_to_flag() -> None:
    assert value("-5000.00").nm == -5_000_000_000
    assert value("999999").nm == 999_999_000_000


def test_what_was_refused_is_shown_in_printable_marks() -> None:
    read = read_value("12\x1b[31m34", "mm")
    assert isinstance(read, NotUnderstood)
    assert read.text == "12\\x1b[31m34"


@given(st.binary(max_size=50))
def test_escaped_bytes_are_printable_and_tell_every_byte(data: bytes) -> None:
    shown = escaped(data)
    assert shown.isascii()
    assert not shown or shown.isprintable()
    assert shown.encode().decode("unicode_escape").encode("latin-1") == data


@given(st.integers(-(10**9), 10**9), st.integers(0, 4), st.sampled_from(["mm", "in"]))
def test_every_count_a_caliper_can_show_comes_out_exact(
    count: int, places: int, unit: Unit
) -> None:
    number = Decimal(count).scaleb(-places)
    if abs(number) > 39_000:
        number = Decimal("1.0005")
    read = value(f"{number:f} {unit}", None)
    assert read.number == number
    assert Decimal(read.nm) == number * (1_000_000 if unit == "mm" else 25_400_000)


_LINES = st.text(string.printable + "\u2212\u0663\x00\x7f\xa0\N{DOUBLE PRIME}", max_size=40)


@given(_LINES | st.text(max_size=40), st.sampled_from(["mm", "in", None]))
@settings(max_examples=500)
def test_no_line_raises_and_a_value_holds_exactly_one_number(text: str, unit: Unit | None) -> None:
    read = read_value(text, unit)
    if isinstance(read, Value):
        bare = text.replace(read.label, "", 1) if read.label else text
        assert len(re.findall(r"[0-9]+", re.sub(r"[.,]", "", bare))) == 1
    else:
        assert read.text.isprintable()


LABELLED = r"(?P<label>CH[0-9])\s*(?P<value>[-+]?\s*[0-9.,]+)(?P<unit>mm|in)?\s*\S*"


def test_a_pattern_tells_several_instruments_behind_one_line_apart() -> None:
    pattern = Pattern(LABELLED)
    first = value("CH1 +12.34mm ok", None, pattern)
    second = value("CH2-0.500in", "mm", pattern)
    assert (first.label, first.nm) == ("CH1", 12_340_000)
    assert (second.label, second.nm, second.unit) == ("CH2", -12_700_000, "in")


def test_a_pattern_picks_the_right_number_of_several() -> None:
    pattern = Pattern(r"#[0-9]+ (?P<value>\S+) .*")
    assert value("#17 12.34 20.1C", "mm", pattern).nm == 12_340_000
    assert "`unit`" in refusal("#17 12.34 20.1C", None, pattern)


def test_what_a_pattern_catches_is_read_as_strictly_as_everything_else() -> None:
    pattern = Pattern(r"(?P<value>\S+) ?(?P<unit>\S*)")
    for text in ("1e3", "1_000", "nan", "1.2.3", "12-"):
        assert "not one plain number" in refusal(text, "mm", pattern)
    assert "neither mm nor in" in refusal("12 cm", "mm", pattern)


def test_a_line_outside_the_pattern_is_refused_and_a_message_stays_one() -> None:
    pattern = Pattern(LABELLED)
    assert "`pattern`" in refusal("12.34", "mm", pattern)
    assert read_value("Low battery", "mm", pattern) == Message("Low battery")
    assert "256 characters" in refusal("CH1 " + "1" * 300, "mm", pattern)
    assert "does not match" in refusal("CH1 12.3\ud800", "mm", pattern)


@pytest.mark.parametrize(
    ("source", "why"),
    [
        ("[0-9]+", "needs a group"),
        ("(?P<value>[0-9]+", "regular expression"),
        ("(?P<value>[0-9]+)(?P<colour>.)", "colour"),
        (r"(?P<value>x)\1", "back references"),
        ("(?P<value>x)(?P=value)", "back references"),
        ("(?=x)(?P<value>x)", "look-around"),
        ("(?P<value>x)(?(1)y|z)", "look-around"),
        ("(?P<value>((x{999}){999}){999})", "regular expression"),
        ("(?P<value>" + "x" * 400 + ")", "longer than"),
        ("(?P<value>x)\n", "control"),
        ("(?P<value>[)", "regular expression"),
        ("(?P<value>x{3,2})", "regular expression"),
        ("*(?P<value>x)", "regular expression"),
    ],
)
def test_an_unusable_pattern_is_refused_in_one_sentence(source: str, why: str) -> None:
    with pytest.raises(PatternError, match=re.escape(why)) as caught:
        Pattern(source)
    assert caught.value.field == "pattern"


@given(st.text("(?P<value>)[]*+?{},.|\\dws1a0-9^$:=", max_size=40))
@settings(max_examples=500)
def test_no_text_given_as_a_pattern_raises_anything_but_its_one_error(source: str) -> None:
    try:
        pattern = Pattern("(?P<value>1)" + source)
    except PatternError:
        return
    read_value("1" + source, "mm", pattern)


@pytest.mark.parametrize(
    "source",
    ["(a+)+", "(?:a|a)*", "(?:a?){30}a", "a*" * 30, ".*" * 60, "a?" * 60, "(a|a)" * 30, "(a*)*"],
)
def test_no_pattern_takes_for_ever_on_the_line_made_for_it(source: str) -> None:
    # By trying one way after the other each of these would take longer than the world is old.
    pattern = Pattern(f"(?P<value>{source})b")
    assert "does not match" in refusal("1" + "a" * 255, "mm", pattern)
    assert read_value("a" * 256, "mm", pattern) == Message("a" * 256)


def test_a_usual_pattern_is_not_taken_for_a_dangerous_one() -> None:
    pattern = Pattern(
        r"(?P<label>\w+)\s+(?P<value>[-+]?\d*[.,]?\d+)\s*(?P<unit>mm|inch|in|\")?\s*\S*"
    )
    assert value("CH1 +12.34 mm ok", None, pattern).nm == 12_340_000
