"""Keystrokes to lines: what a person with a typing caliper would lose if this failed."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture import keys
from capture.keys import (
    EV_KEY,
    EV_SYN,
    LAYOUTS,
    SYN_DROPPED,
    SYN_REPORT,
    USAGE_OF_CODE,
    KeyEvents,
    KeyReports,
    Stroke,
    Typed,
    read_strokes,
)
from capture.lines import Line, Refused
from capture.values import NotUnderstood, Value, read_value

FIXTURES = Path(__file__).parents[2] / "fixtures"
CASES: dict[str, dict[str, Any]] = {
    case["id"]: case for case in json.loads((FIXTURES / "published.json").read_text("utf-8"))
}
ENTER = 0x28


def texts(events: list[Line | Refused]) -> list[str]:
    return [event.raw.decode() for event in events if isinstance(event, Line)]


def refusals(events: list[Line | Refused]) -> list[Refused]:
    return [event for event in events if isinstance(event, Refused)]


def report(*usages: int, modifiers: int = 0) -> bytes:
    return bytes([modifiers, 0, *usages, *[0] * (6 - len(usages))])


def key_of(mark: str, layout: str = "us") -> tuple[int, bool]:
    """The usage and shift that type `mark`, the first in the layout's order."""
    if mark == "\n":
        return ENTER, False
    return next(key for key, typed in LAYOUTS[layout].items() if typed == mark)


def typed(text: str, layout: str = "us") -> list[bytes]:
    """Reports of a device that types `text`: each key down, then all up."""
    out = []
    for mark in text:
        usage, shift = key_of(mark, layout)
        out += [report(usage, modifiers=2 if shift else 0), report()]
    return out


def fed(reader: KeyReports, reports: list[bytes], now: float = 1.0) -> list[Line | Refused]:
    return [event for each in reports for event in reader.feed(each, now)]


# USB-IF HID Usage Tables, Keyboard/Keypad page (0x07), as kept in fixtures/published.json.


def test_the_digit_row_types_digits_by_the_published_table() -> None:
    for digit, usage in CASES["hid-digits-row"]["expected"].items():
        assert LAYOUTS["us"][usage, False] == digit


def test_control_and_punctuation_follow_the_published_table() -> None:
    expected = CASES["hid-control-and-punctuation"]["expected"]
    for name, mark in (
        ("Space", " "),
        ("minus", "-"),
        ("comma", ","),
        ("period", "."),
        ("slash", "/"),
    ):
        assert LAYOUTS["us"][expected[name], False] == mark
    assert LAYOUTS["us"][expected["equals_plus"], False] == "="
    assert LAYOUTS["us"][expected["equals_plus"], True] == "+"
    for end in ("Enter", "Tab"):
        events = fed(KeyReports(), [*typed("1"), report(expected[end])])
        assert texts(events) == ["1"]


def test_keypad_signs_follow_the_published_table() -> None:
    expected = CASES["hid-keypad-signs"]["expected"]
    marks = {"slash": "/", "star": "*", "minus": "-", "plus": "+", "period": "."}
    for name, mark in marks.items():
        for layout in LAYOUTS.values():
            assert layout[expected[f"keypad_{name}"], False] == mark
    assert texts(fed(KeyReports(), [*typed("1"), report(expected["keypad_enter"])])) == ["1"]
    assert fed(KeyReports(), [report(expected["keypad_num_lock"]), report(ENTER)]) == []


def test_rare_keypad_keys_follow_the_published_table() -> None:
    expected = CASES["hid-keypad-comma-and-decimal"]["expected"]
    us = LAYOUTS["us"]
    assert us[expected["keypad_comma"], False] == ","
    assert us[expected["keypad_equal_sign"], False] == "="
    assert us[expected["keypad_00"], False] == "00"
    assert us[expected["keypad_000"], False] == "000"
    assert us[expected["decimal_separator"], False] == "."
    assert not us[expected["thousands_separator"], False].isascii()
    assert us[expected["keypad_plus_minus"], False] == "\N{PLUS-MINUS SIGN}"
    assert texts(fed(KeyReports(), [*typed("1"), report(expected["keypad_tab"])])) == ["1"]


def test_letters_of_unit_words_follow_the_published_table() -> None:
    for letter, usage in CASES["hid-letters"]["expected"].items():
        assert LAYOUTS["us"][usage, False] == letter
        assert LAYOUTS["us"][usage, True] == letter.upper()


def test_modifiers_and_error_reports_follow_the_published_table() -> None:
    expected = CASES["hid-modifiers-and-errors"]["expected"]
    for name in ("LeftShift", "RightShift"):
        bit = 1 << expected[name] - expected["LeftControl"]
        assert texts(fed(KeyReports(), [report(0x2E, modifiers=bit), report(ENTER)])) == ["+"]
    for name in ("LeftControl", "LeftAlt", "LeftGUI", "RightControl", "RightAlt", "RightGUI"):
        bit = 1 << expected[name] - expected["LeftControl"]
        events = fed(KeyReports(), [report(0x1E, modifiers=bit), report(ENTER)])
        assert texts(events) == []
        assert "shortcut" in refusals(events)[0].reason
    for name in ("ErrorRollOver", "POSTFail", "ErrorUndefined"):
        events = fed(KeyReports(), [*typed("1"), report(*[expected[name]] * 6), *typed("2\n")])
        assert texts(events) == []
        assert [refused.kind for refused in refusals(events)] == ["lost"]


@pytest.mark.parametrize("path", sorted((FIXTURES / "key-reports").glob("*.txt")), ids=str)
def test_every_kept_report_file_says_what_it_says(path: Path) -> None:
    lines = path.read_text("utf-8").splitlines()
    notes = dict(re.findall(r"^# (layout|says): (.*)$", "\n".join(lines), re.MULTILINE))
    reports = [bytes.fromhex(line) for line in lines if not line.startswith("#")]
    events = fed(KeyReports(notes["layout"]), reports)
    heard = [event.raw.decode() if isinstance(event, Line) else "refused" for event in events]
    assert " | ".join(heard) == notes["says"]


def test_equal_digits_in_a_row_are_two_digits() -> None:
    assert texts(fed(KeyReports(), typed("11.00\n"))) == ["11.00"]


def test_a_held_or_repeated_key_types_once() -> None:
    held = [report(0x26)] * 50
    assert texts(fed(KeyReports(), [*held, report(), report(ENTER)])) == ["9"]


def test_a_stuck_key_is_abandoned_after_a_second_and_the_next_line_is_whole() -> None:
    reader = KeyReports()
    fed(reader, [*typed("12."), report(0x26)], now=5.0)
    assert reader.due == pytest.approx(6.0)
    assert reader.quiet(5.9) == []
    (refused,) = reader.quiet(6.0)
    assert isinstance(refused, Refused)
    assert (refused.raw, refused.kind) == (b"12.9", "abandoned")
    assert reader.due is None
    assert texts(fed(reader, [report(), *typed("12.34\n")], now=8.0)) == ["12.34"]


def test_a_line_abandoned_is_seen_even_when_only_the_next_key_tells_the_time() -> None:
    reader = KeyReports()
    fed(reader, typed("12."), now=5.0)
    events = fed(reader, typed("34\n"), now=9.0)
    assert [refused.kind for refused in refusals(events)] == ["abandoned"]
    assert texts(events) == ["34"]


def test_an_unplug_in_mid_press_makes_no_reading_and_no_repeats() -> None:
    reader = KeyReports()
    fed(reader, [*typed("12.3"), report(0x26)])
    refused = reader.hang_up()
    assert refused is not None
    assert (refused.raw, refused.kind) == (b"12.39", "half")
    assert texts(fed(reader, typed("12.34\n"), now=1.5)) == ["12.34"]


def test_a_caliper_that_never_sends_enter_is_read_by_its_silence_when_told_so() -> None:
    reader = KeyReports(gap=0.3)
    fed(reader, typed("12.34"), now=5.0)
    assert reader.due == pytest.approx(5.3)
    assert texts(reader.quiet(5.3)) == ["12.34"]
    fed(reader, [*typed("12.3"), report(0x21)], now=8.0)
    assert reader.quiet(8.5) == []  # a key is still down: no whole line
    assert [event.kind for event in refusals(reader.quiet(9.0))] == ["abandoned"]


def test_keys_lost_without_any_text_left_are_still_told() -> None:
    reader = KeyEvents()
    reader.feed(EV_SYN, SYN_DROPPED, 0, 5.0)
    assert [event.kind for event in refusals(reader.quiet(6.0))] == ["lost"]


def test_a_report_of_the_wrong_length_spoils_only_its_line() -> None:
    events = fed(KeyReports(), [*typed("12"), b"\x00\x00\x1e", *typed("3\n12.34\n")])
    assert texts(events) == ["12.34"]
    assert "3 bytes" in refusals(events)[0].reason


def test_a_key_that_never_ends_is_bounded() -> None:
    reader = KeyReports()
    events = fed(reader, typed("1" * 400 + "\n" + "12.34\n"))
    assert texts(events) == ["12.34"]
    assert len(refusals(events)[0].raw) <= 256


def test_an_unknown_layout_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="klingon"):
        KeyReports("klingon")


@pytest.mark.parametrize("layout", sorted(LAYOUTS))
@pytest.mark.parametrize("text", ["-12.34 mm", "+0.584 in", "0,5"])
def test_each_layout_types_what_its_caliper_meant(layout: str, text: str) -> None:
    assert texts(fed(KeyReports(layout), typed(text + "\n", layout))) == [text]


def test_a_french_caliper_needs_shift_for_digits_and_bare_six_for_minus() -> None:
    # xkb-data "fr" (common practice, no source).
    fr = LAYOUTS["fr"]
    assert "".join(fr[usage, False] for usage in range(0x1E, 0x28)) == "&é\"'(-è_çà"
    assert "".join(fr[usage, True] for usage in range(0x1E, 0x28)) == "1234567890"
    assert (fr[0x10, False], fr[0x36, True], fr[0x2E, True]) == (",", ".", "+")


@given(st.lists(st.binary(max_size=10), max_size=60), st.floats(0, 0.3))
@settings(max_examples=200)
def test_no_report_raises_and_the_line_after_the_noise_is_whole(
    noise: list[bytes], step: float
) -> None:
    reader = KeyReports()
    for number, each in enumerate(noise):
        reader.feed(each, number * step)
    reader.quiet(100.0)
    assert texts(fed(reader, [report(), *typed("\n12.34\n")], now=101.0))[-1:] == ["12.34"]


CODE_OF_USAGE = {usage: code for code, usage in USAGE_OF_CODE.items()}
LEFT_SHIFT = CODE_OF_USAGE[0xE1]


def key_events(text: str, layout: str = "us") -> list[tuple[int, int, int]]:
    out = []
    for mark in text:
        usage, shift = key_of(mark, layout)
        code = CODE_OF_USAGE[usage]
        for value in (1, 0):
            if shift:
                out.append((EV_KEY, LEFT_SHIFT, value))
            out += [(EV_KEY, code, value), (EV_SYN, SYN_REPORT, 0)]
    return out


def events_fed(
    reader: KeyEvents, events: list[tuple[int, int, int]], now: float = 1.0
) -> list[Line | Refused]:
    return [out for kind, code, value in events for out in reader.feed(kind, code, value, now)]


def test_linux_key_codes_mean_the_usages_of_the_kernels_own_header() -> None:
    # linux/input-event-codes.h beside HID Usage Tables 0x07 (numbers typed from the header).
    named = {"KEY_1": 2, "KEY_0": 11, "KEY_MINUS": 12, "KEY_EQUAL": 13, "KEY_TAB": 15}
    named |= {"KEY_Q": 16, "KEY_P": 25, "KEY_ENTER": 28, "KEY_A": 30, "KEY_L": 38, "KEY_M": 50}
    named |= {"KEY_COMMA": 51, "KEY_DOT": 52, "KEY_SPACE": 57, "KEY_KP7": 71, "KEY_KPMINUS": 74}
    named |= {"KEY_KPPLUS": 78, "KEY_KP1": 79, "KEY_KP0": 82, "KEY_KPDOT": 83}
    named |= {"KEY_KPENTER": 96, "KEY_KPCOMMA": 121, "KEY_LEFTSHIFT": 42, "KEY_RIGHTSHIFT": 54}
    usages = {"KEY_1": 0x1E, "KEY_0": 0x27, "KEY_MINUS": 0x2D, "KEY_EQUAL": 0x2E, "KEY_TAB": 0x2B}
    usages |= {"KEY_Q": 0x14, "KEY_P": 0x13, "KEY_ENTER": 0x28, "KEY_A": 0x04, "KEY_L": 0x0F}
    usages |= {"KEY_M": 0x10, "KEY_COMMA": 0x36, "KEY_DOT": 0x37, "KEY_SPACE": 0x2C}
    usages |= {"KEY_KP7": 0x5F, "KEY_KPMINUS": 0x56, "KEY_KPPLUS": 0x57, "KEY_KP1": 0x59}
    usages |= {"KEY_KP0": 0x62, "KEY_KPDOT": 0x63, "KEY_KPENTER": 0x58, "KEY_KPCOMMA": 0x85}
    usages |= {"KEY_LEFTSHIFT": 0xE1, "KEY_RIGHTSHIFT": 0xE5}
    assert {name: USAGE_OF_CODE[code] for name, code in named.items()} == usages


def test_the_kernels_header_agrees_with_the_table_where_it_is_installed() -> None:
    header = Path("/usr/include/linux/input-event-codes.h")
    if not header.exists():
        pytest.skip("no kernel headers on this machine")
    codes = dict(re.findall(r"#define KEY_([A-Z0-9]+)\s+(\d+)", header.read_text("utf-8")))
    for letter in "ABCDEFGHIJKLMNOPQRSTUVWXYZ":
        assert USAGE_OF_CODE[int(codes[letter])] == 4 + ord(letter) - ord("A")
    for digit in range(10):
        assert USAGE_OF_CODE[int(codes[str(digit)])] == 0x1E + (digit - 1) % 10
        assert keys._KEYPAD[USAGE_OF_CODE[int(codes[f"KP{digit}"])]] == str(digit)
    for name, usage in {
        "LEFTCTRL": 0xE0,
        "LEFTSHIFT": 0xE1,
        "LEFTALT": 0xE2,
        "LEFTMETA": 0xE3,
    }.items():
        assert USAGE_OF_CODE[int(codes[name])] == usage
    for name, usage in {"RIGHTCTRL": 0xE4, "RIGHTSHIFT": 0xE5, "RIGHTALT": 0xE6}.items():
        assert USAGE_OF_CODE[int(codes[name])] == usage
    for name, mark in {"KPASTERISK": "*", "KPSLASH": "/", "KPEQUAL": "=", "KPDOT": "."}.items():
        assert keys._KEYPAD[USAGE_OF_CODE[int(codes[name])]] == mark
    for name, mark in {"SEMICOLON": ";", "APOSTROPHE": "'", "GRAVE": "`", "SLASH": "/"}.items():
        assert LAYOUTS["us"][USAGE_OF_CODE[int(codes[name])], False] == mark


@pytest.mark.parametrize("layout", ["us", "fr", "de"])
def test_linux_events_say_the_same_as_reports(layout: str) -> None:
    events = events_fed(KeyEvents(layout), key_events("-12.34 mm\n", layout))
    assert texts(events) == ["-12.34 mm"]


def test_the_kernels_auto_repeat_is_no_digit() -> None:
    nine = CODE_OF_USAGE[0x26]
    events = [(EV_KEY, nine, 1), *[(EV_KEY, nine, 2)] * 30, (EV_KEY, nine, 0)]
    assert texts(events_fed(KeyEvents(), [*events, *key_events("\n")])) == ["9"]


def test_after_dropped_events_that_line_is_refused_and_the_next_counts() -> None:
    dropped = [(EV_SYN, SYN_DROPPED, 0), *key_events("9")[:1], (EV_SYN, SYN_REPORT, 0)]
    events = events_fed(
        KeyEvents(), [*key_events("12."), *dropped, *key_events("4\n"), *key_events("12.35\n")]
    )
    assert texts(events) == ["12.35"]
    (refused,) = refusals(events)
    assert refused.kind == "lost"
    assert "lost" in refused.reason


def test_shift_held_over_several_keys_shifts_them_all() -> None:
    shift_down, shift_up = (EV_KEY, LEFT_SHIFT, 1), (EV_KEY, LEFT_SHIFT, 0)
    events = [shift_down]
    for usage in (0x1E, 0x1F):
        code = CODE_OF_USAGE[usage]
        events += [(EV_KEY, code, 1), (EV_KEY, code, 0)]
    events += [shift_up, *key_events("\n")]
    assert texts(events_fed(KeyEvents("fr"), events)) == ["12"]


def test_linux_lines_are_abandoned_and_hung_up_like_reports() -> None:
    reader = KeyEvents()
    events_fed(reader, key_events("12."), now=5.0)
    assert [event.kind for event in refusals(reader.quiet(6.0))] == ["abandoned"]
    events_fed(reader, key_events("12."), now=7.0)
    refused = reader.hang_up()
    assert refused is not None
    assert refused.kind == "half"


def strokes(text: str, gap_ms: float = 12.0, start_ms: float = 1000.0) -> list[Stroke]:
    """Strokes of a US device on a US desktop."""
    out = []
    codes = {usage: code for code, usage in keys._CODES.items()}
    for number, mark in enumerate(text):
        at = start_ms + number * gap_ms
        if mark == "\n":
            out.append(Stroke("Enter", "Enter", False, at))
            continue
        usage, shift = key_of(mark)
        out.append(Stroke(mark, codes[usage], shift, at))
    return out


def stroke_line(*marks: tuple[str, str, bool]) -> list[Stroke]:
    return [Stroke(key, code, shift, 10.0 * n) for n, (key, code, shift) in enumerate(marks)]


def test_a_burst_in_the_page_is_a_calipers_line() -> None:
    assert read_strokes(strokes("-12.34 mm\n")) == Typed("-12.34 mm", "key", True)


def test_a_person_who_types_is_told_from_a_caliper() -> None:
    read = read_strokes(strokes("12.34\n", gap_ms=140.0))
    assert read == Typed("12.34", "key", False)
    assert read_strokes(strokes("7\n")) == Typed("7", "key", False)


def test_the_keypad_says_the_same_whatever_numlock() -> None:
    on = [("1", "Numpad1"), (".", "NumpadDecimal"), ("5", "Numpad5"), ("Enter", "NumpadEnter")]
    off = [("End", "Numpad1"), ("Delete", "NumpadDecimal"), ("Clear", "Numpad5")]
    off.append(("Enter", "NumpadEnter"))
    comma = [("1", "Numpad1"), (",", "NumpadDecimal"), ("5", "Numpad5"), ("Enter", "NumpadEnter")]
    for marks in (on, off, comma):
        read = read_strokes(stroke_line(*((key, code, False) for key, code in marks)))
        assert read == Typed("1.5", "key", True)


def test_a_us_caliper_on_a_french_desktop_is_read_by_its_codes() -> None:
    # 12.34 typed by a US device where the desktop is French: &é:"'
    line = stroke_line(
        ("&", "Digit1", False),
        ("é", "Digit2", False),
        (":", "Period", False),
        ('"', "Digit3", False),
        ("'", "Digit4", False),
        ("Enter", "Enter", False),
    )
    assert read_strokes(line) == Typed("12.34", "us", True)


def test_a_french_caliper_on_a_us_desktop_is_read_by_its_codes() -> None:
    # -12,34 typed by a French device where the desktop is US: 6!@m#$
    line = stroke_line(
        ("6", "Digit6", False),
        ("!", "Digit1", True),
        ("@", "Digit2", True),
        ("m", "KeyM", False),
        ("#", "Digit3", True),
        ("$", "Digit4", True),
    )
    assert read_strokes(line) == Typed("-12,34", "fr", True)


def test_layouts_are_never_mixed_within_a_line() -> None:
    # A French bare 6 (minus) among US digits is no number in either layout.
    line = stroke_line(("&", "Digit1", False), ("6", "Digit6", True), ("é", "Digit2", False))
    assert isinstance(read_strokes(line), NotUnderstood)


def test_auto_repeat_in_the_page_is_no_digit() -> None:
    line = strokes("9")
    line += [Stroke("9", "Digit9", False, 1100.0 + 33 * n, repeat=True) for n in range(9)]
    assert read_strokes([*line, Stroke("Enter", "Enter", False, 1500.0)]) == Typed(
        "9", "key", False
    )


@pytest.mark.parametrize("ends", [["Enter"], ["NumpadEnter"], ["Tab"], ["Enter", "Enter"], []])
def test_one_press_in_the_page_is_one_line_whatever_ends_it(ends: list[str]) -> None:
    line = strokes("12.34")
    key: dict[str, str] = {"NumpadEnter": "Enter"}
    line += [Stroke(key.get(end, end), end, False, 1100.0 + n) for n, end in enumerate(ends)]
    assert read_strokes(line) == Typed("12.34", "key", True)


def test_enter_and_the_down_arrow_are_one_end() -> None:
    line = [*strokes("12.34\n"), Stroke("ArrowDown", "ArrowDown", False, 1080.0)]
    assert read_strokes(line) == Typed("12.34", "key", True)


def test_shift_itself_and_locks_type_nothing() -> None:
    extra = [
        Stroke("Shift", "ShiftLeft", True, 999.0),
        Stroke("CapsLock", "CapsLock", False, 999.5),
    ]
    assert read_strokes([*extra, *strokes("12.34\n")]) == Typed("12.34", "key", True)


def test_two_calipers_typing_at_once_are_refused_not_blended() -> None:
    blended = [
        mark
        for pair in zip(strokes("12.34"), strokes("56.78", start_ms=1005.0), strict=True)
        for mark in pair
    ]
    assert isinstance(read_strokes(blended), NotUnderstood)


def test_a_burst_with_a_pause_inside_is_refused_as_two_devices() -> None:
    first, second = strokes("123", gap_ms=10), strokes("456", gap_ms=10, start_ms=1400.0)
    read = read_strokes([*first, *second])
    assert isinstance(read, NotUnderstood)
    assert "2 devices" in read.reason


def test_stamps_that_run_backwards_are_refused() -> None:
    read = read_strokes([*strokes("12", start_ms=1000), *strokes(".34", start_ms=900)])
    assert isinstance(read, NotUnderstood)
    assert "order" in read.reason


def test_two_lines_handed_over_at_once_are_refused_not_joined() -> None:
    read = read_strokes([*strokes("12.34\n"), *strokes("12.35\n", start_ms=1200)])
    assert isinstance(read, NotUnderstood)


def test_words_and_nothing_are_no_reading() -> None:
    for text in ("hello", "1e3", "12.3.4", "low"):
        assert isinstance(read_strokes(strokes(text)), NotUnderstood)
    assert isinstance(read_strokes([]), NotUnderstood)
    assert isinstance(read_strokes(strokes("1" * 300)), NotUnderstood)
    bad: list[Stroke] = [Stroke("1", "Digit1", False, float("nan")), *strokes("2")]
    assert isinstance(read_strokes(bad), NotUnderstood)


_STROKE = st.builds(
    Stroke,
    st.sampled_from(["1", "6", "-", ".", "Enter", "End", "Dead", "é", "Shift", "\ud800"]),
    st.sampled_from([*keys._CODES, "Enter", "", "F1"]),
    st.booleans(),
    st.floats(),
    st.booleans(),
)


@given(st.lists(_STROKE, max_size=20))
@settings(max_examples=300)
def test_no_strokes_raise(line: list[Stroke]) -> None:
    read = read_strokes(line)
    if isinstance(read, Typed):
        assert isinstance(read_value(read.text, "mm"), Value)


def test_linux_keys_still_down_do_not_end_a_line_by_silence() -> None:
    reader = KeyEvents(gap=0.3)
    events_fed(reader, [*key_events("12.3"), (EV_KEY, CODE_OF_USAGE[0x21], 1)], now=5.0)
    assert reader.quiet(5.5) == []
    assert [event.kind for event in refusals(reader.quiet(6.0))] == ["abandoned"]
    events_fed(reader, [(EV_KEY, CODE_OF_USAGE[0x21], 0), *key_events("12.34")], now=8.0)
    assert texts(reader.quiet(8.3)) == ["12.34"]


def test_a_keyboard_that_names_no_codes_is_read_by_its_keys() -> None:
    # On-screen and remote keyboards leave `code` empty.
    line = [Stroke(mark, "", False, 10.0 * n) for n, mark in enumerate("12.34")]
    assert read_strokes([*line, Stroke("Enter", "", False, 60.0)]) == Typed("12.34", "key", True)


def test_a_gap_as_long_as_a_fingers_is_no_burst() -> None:
    assert read_strokes(strokes("12.34", gap_ms=99.0)) == Typed("12.34", "key", True)
    assert read_strokes(strokes("12.34", gap_ms=100.0)) == Typed("12.34", "key", False)


@pytest.mark.parametrize("gap_s", [0.02, 0.11, 0.3, 0.9, 0.999, 1.0, 1.2, 1.9])
@pytest.mark.parametrize("value", ["1.41", "-0.35", "203,86"])
def test_a_pause_anywhere_gives_the_whole_line_or_none(value: str, gap_s: float) -> None:
    for position in range(1, len(value) + 1):
        typing = keys._Typing("us", None, 1.0)
        usages = {mark: usage for (usage, shift), mark in LAYOUTS["us"].items() if not shift}
        now, lines = 10.0, []
        for number, mark in enumerate(value):
            now += gap_s if number == position else 0.012
            lines += typing.quiet(now)
            lines += typing.press(usages[mark], False, False, now)
        now += gap_s if position == len(value) else 0.012
        lines += typing.quiet(now)
        lines += typing.press(0x28, False, False, now)
        whole = [line.raw.decode() for line in lines if isinstance(line, Line)]
        assert whole in ([], [value]), (position, lines)
        if not whole:
            assert any(isinstance(line, Refused) for line in lines)
        if gap_s > 1.0 and 0 < position < len(value):
            assert repr(value[:position]) in lines[-1].reason
        # The next press is whole again.
        for mark in value:
            typing.press(usages[mark], False, False, now + 4)
        (line,) = typing.press(0x28, False, False, now + 4)
        assert isinstance(line, Line)
