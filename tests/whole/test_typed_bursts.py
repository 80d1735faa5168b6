"""A caliper that types and is held up in the middle: the whole value or none."""

from __future__ import annotations

import re
import time

import pytest
from playwright.sync_api import expect

from tests.ptys import until
from tests.whole.at_the_bench import Bench
from tests.whole.browser import ENTER, us

# Each length of a pause in one value, and the signs that others have, where a value may break.
PAUSES = [
    *(("1.41", gap_ms) for gap_ms in (60, 110, 200, 350, 900)),
    *(("-0.35", 200), ("203,86", 350)),
]


def _press(bench: Bench, value: str, position: int, gap_ms: float, at: float) -> float:
    """`value` and Enter at 2 ms a key, but for a gap before the key at `position`."""
    keys = [*us(value), ENTER]
    bench.keyboard.strike(keys[:position], gap_ms=2, at=at)
    later = at + (position * 2 + gap_ms) / 1000
    return bench.keyboard.strike(keys[position:], gap_ms=2, at=later)


@pytest.mark.parametrize(("value", "gap_ms"), PAUSES)
def test_a_pause_anywhere_gives_the_whole_value_or_none(
    bench: Bench, value: str, gap_ms: float
) -> None:
    series = bench.start(method="stop-block", baseline=None)
    bench.open()
    page = bench.page
    field = page.locator("#typed-value")
    state = page.locator("#state")
    for position in range(1, len(value) + 1):
        page.evaluate("document.getElementById('typed-value').value = ''")
        page.evaluate("document.getElementById('state').lastElementChild.textContent = ''")
        page.evaluate("document.activeElement.blur()")
        before = len(bench.readings(series))
        _press(bench, value, position, gap_ms, time.time())
        assert until(
            lambda before=before: (
                re.search("not understood|ignored: repeat", state.inner_text())
                or len(bench.readings(series)) > before
                or field.input_value() == value
            )
        ), (position, state.inner_text())
        kept = bench.readings(series)[before:]
        assert kept in ([], [value]), (position, kept)
        if not kept and not re.search("not understood|ignored: repeat", state.inner_text()):
            assert field.input_value() == value


@pytest.mark.parametrize("gap_ms", [110, 150, 300, 900])
def test_a_first_digit_that_was_held_up_is_refused_with_the_rest(
    bench: Bench, gap_ms: float
) -> None:
    series = bench.start()
    bench.open()
    _press(bench, "11.41", 1, gap_ms, time.time())
    bench.state("not understood")
    expect(bench.page.locator("#value")).to_have_text("1 … 1.41")
    expect(bench.page.locator("#state-more")).to_contain_text("press again")
    assert bench.sounded == "refused"
    expect(bench.page.locator("#typed-value")).to_have_value("")
    assert bench.readings(series) == []
    bench.keyboard.strike([*us("11.41"), ENTER], gap_ms=2, at=time.time() + 5)
    bench.holds(series, [["11.41"]])


def test_a_key_a_good_second_before_a_press_is_something_else(bench: Bench) -> None:
    series = bench.start()
    bench.open()
    at = time.time()
    bench.keyboard.strike(us("1"), at=at)
    bench.keyboard.strike([*us("12.34"), ENTER], gap_ms=2, at=at + 1.2)
    bench.holds(series, [["12.34"]])


def test_what_a_person_typed_before_stays_in_the_field_when_a_press_is_refused(
    bench: Bench,
) -> None:
    series = bench.start()
    bench.open()
    at = time.time()
    bench.type_by_hand()
    end = bench.keyboard.strike(us("20"), gap_ms=180, at=at)
    bench.keyboard.strike([*us("12.34"), ENTER], gap_ms=2, at=end + 0.2)
    bench.state("not understood")
    expect(bench.page.locator("#typed-value")).to_have_value("20")
    assert bench.readings(series) == []


def test_the_end_of_a_value_that_silence_had_ended_takes_it_back(bench: Bench) -> None:
    """Without an end key "12.3" is taken after 300 ms; "4" after that is no value."""
    series = bench.start(method="stop-block", baseline=None)
    bench.open()
    at = time.time()
    bench.keyboard.strike(us("12.3"), gap_ms=2, at=at)
    bench.shows("12.3")
    bench.keyboard.strike([*us("4"), ENTER], gap_ms=2, at=at + 0.6)
    expect(bench.page.locator("#value")).to_have_text(re.compile("12.3 … 4"))
    assert until(lambda: bench.readings(series) == [])
