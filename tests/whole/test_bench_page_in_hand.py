"""What is doubtful is said while the strip is in the hand, and what was done can be undone."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from tests.ptys import until
from tests.whole.at_the_bench import Bench
from tests.whole.browser import no_serious_axe_findings

PHONE = {"width": 390, "height": 844}


@pytest.fixture
def phone(bench: Bench) -> Bench:
    bench.page.set_viewport_size(PHONE)
    return bench


def _strips(bench: Bench, *pairs: tuple[str, str]) -> None:
    for pair in pairs:
        for sent in pair:
            bench.press(sent)


def test_a_doubtful_strip_is_mended_with_a_tap_and_the_tap_undone(phone: Bench) -> None:
    page = phone.page
    series = phone.start()
    said, undo = page.locator("#in-hand"), page.locator("#undo")
    phone.open()

    _strips(phone, ("12.00", "12.40"), ("12.05", "12.46"), ("12.42", "12.03"))
    expect(said).to_contain_text("Strip 3 leans the other way by the same size")
    no_serious_axe_findings(page)
    page.click("button:has-text('Swap the ends of strip 3')")
    expect(said).to_be_hidden()
    expect(undo).to_contain_text("Ends of strip 3 swapped.")
    undo.locator("button").click()
    expect(said).to_contain_text("Strip 3 leans the other way")
    expect(undo).to_be_hidden()
    page.reload()
    expect(said).to_contain_text("Strip 3 leans the other way")
    page.click("button:has-text('Swap the ends of strip 3')")
    expect(said).to_be_hidden()

    _strips(phone, ("12.10", "12.50"), ("12.01", "12.42"), ("12.02", "12.72"))
    expect(said).to_contain_text("Strip 6: far from the others. Measure strip 6 again")
    page.click("button:has-text('Measure strip 6 again')")
    phone.next("fence endstrip 6")
    expect(undo).to_contain_text("The readings of strip 6 taken back.")
    undo.locator("button").click()
    expect(said).to_contain_text("Strip 6: far from the others")
    good = ["12.00 12.40", "12.05 12.46", "12.42 12.03", "12.10 12.50", "12.01 12.42"]
    phone.holds(series, [each.split() for each in (*good, "12.02 12.72")])
    page.click("button:has-text('Leave strip 6 out')")
    expect(said).to_be_hidden()
    expect(page.locator("#trials tr.out")).to_contain_text("left out")
    undo.locator("button").click()
    expect(page.locator("#trials tr.out")).to_have_count(0)
    page.click("button:has-text('Measure strip 6 again')")
    phone.next("fence endstrip 6")
    _strips(phone, ("12.02", "12.43"))
    expect(undo).to_be_hidden()  # the press took the place of what could be undone
    expect(said).to_be_hidden()
    phone.holds(series, [each.split() for each in (*good, "12.02 12.43")])

    # Nothing is done by a result that one strip may have spoiled, before that one is looked at.
    _strips(phone, ("12.42", "12.03"), ("12.05", "12.46"))
    expect(said).to_be_hidden()
    page.click("#finish")
    expect(page.locator("#found-doubts")).to_have_text("Look again at strip 7 first")
    page.click("#to-doubts")
    expect(page.locator("#doubts-title")).to_be_in_viewport()


def test_a_lost_reading_begins_anew_and_the_side_of_the_blade_is_corrected(phone: Bench) -> None:
    page, said, undo = phone.page, phone.page.locator("#in-hand"), phone.page.locator("#undo")
    series = phone.start()
    widths = (12.0, 12.9, 12.4, 13.6, 12.2, 12.8, 12.05, 13.2, 12.55)
    read = [f"{width + more:.2f}" for width in widths for more in (0, 0.1)]
    del read[5]  # the open end of strip 3
    for sent in read:
        phone.press(sent)
    phone.open()
    expect(said).to_contain_text("From strip 3 on, readings are paired with the next strip's")
    page.click("button:has-text('Leave strips 3 to 8 out and begin again')")
    expect(undo).to_contain_text("Strips 3 to 8 left out.")
    phone.next("fence endstrip 9")
    undo.locator("button").click()
    expect(page.locator("#trials tr.out")).to_have_count(0)
    phone.holds(series, [read[at : at + 2] for at in range(0, len(read), 2)])

    phone.start()
    strips = (("12.00", "12.40"), ("12.10", "12.50"), ("12.20", "12.61"), ("12.15", "12.55"))
    _strips(phone, *strips)
    other = phone.start()
    _strips(phone, *((open_end, fence_end) for fence_end, open_end in strips[:3]))
    expect(said).to_contain_text("with the other sign")
    side = phone.server.get(f"/api/series/{other}")["strip_side"]
    said.locator("button").click()
    expect(said).to_be_hidden()
    assert phone.server.get(f"/api/series/{other}")["strip_side"] != side
    undo.locator("button").click()
    expect(said).to_contain_text("with the other sign")
    expect(said.locator("button")).to_have_text("It fell to the right of the blade")


_HELD_EVENTS = """
  window.held = [];
  window.EventSource = class extends EventSource {
    addEventListener(kind, hear) {
      super.addEventListener(kind, (event) => {
        if (window.held) window.held.push({ kind, hear: () => hear(event) });
        else hear(event);
      });
    }
  };
"""
"""What the live connection tells waits until the test hands it on."""
_HELD = "(wanted) => window.held.filter(({ kind }) => kind === wanted).length"
_NEXT = """
  (kind) => {
    while (window.held.length) {
      const { kind: of, hear } = window.held.shift();
      hear();
      if (of === kind) return true;
    }
    return false;
  }
"""
_REST = """
  () => {
    const held = window.held;
    window.held = null;
    const undo = document.getElementById("undo");
    return held.map(({ hear }) => (hear(), undo.hidden ? "" : undo.textContent));
  }
"""
"""What is offered to be undone after each of them."""


def test_events_that_come_late_take_nothing_back_of_what_was_asked_for(phone: Bench) -> None:
    """A busy computer tells how a strip was before its last press when that is shown already."""
    page = phone.page
    page.add_init_script(_HELD_EVENTS)
    phone.open()
    expect(page.locator("#sign-live")).to_have_text("live")
    series = phone.start()
    phone.press("12.00")
    assert until(lambda: page.evaluate(_HELD, "trial"))
    phone.press("12.40")
    phone.holds(series, [["12.00", "12.40"]])
    # The series begins on the page, which asks for it and shows its strip.
    assert page.evaluate(_NEXT, "bench")
    expect(page.locator("#trials tbody tr")).to_have_count(1)
    expect(page.locator("#trials")).to_contain_text("12.40")
    assert until(lambda: page.evaluate(_HELD, "trial") >= 2)
    assert set(page.evaluate(_REST)) == {""}
    phone.state("pair complete: strip 1")
    expect(page.locator("#trials")).to_contain_text("12.40")
    phone.press("12.01")
    phone.next("open endstrip 2")
    expect(page.locator("#undo")).to_be_hidden()


def test_what_was_done_on_the_bench_is_undone_for_a_minute(phone: Bench) -> None:
    page = phone.page
    page.clock.install()
    series = phone.start()
    undo = page.locator("#undo")
    phone.open()
    _strips(phone, ("12.00", "12.40"))
    phone.state("pair complete")
    expect(undo).to_be_hidden()
    phone.press("0.00")  # jaws shut
    expect(undo).to_contain_text("12.40 taken back.")
    undo.locator("button").click()
    phone.state("pair complete: strip 1")
    assert phone.server.trials(series) == [["12.00", "12.40"]]
    page.click("#swap-ends")
    expect(undo).to_contain_text("Ends of strip 1 swapped.")
    undo.locator("button").click()
    phone.state("ends swapped back: strip 1")
    expect(undo).to_be_hidden()
    page.click("#take-back")
    expect(undo).to_contain_text("12.40 taken back.")
    page.clock.fast_forward(61_000)
    expect(undo).to_be_hidden()
