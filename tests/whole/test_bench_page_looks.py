"""How the Bench page looks and is read: sizes, widths, names of controls, motion."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from tests.whole.at_the_bench import fill_in
from tests.whole.browser import no_serious_axe_findings


def test_the_last_reading_can_be_read_from_two_metres(bench):
    bench.start()
    bench.page.set_viewport_size({"width": 1280, "height": 800})
    bench.open()
    bench.press("13.21")
    bench.shows("13.21")
    size = bench.page.evaluate(
        "parseFloat(getComputedStyle(document.getElementById('value')).fontSize)"
    )
    # A character seen from 2 m should subtend 20 minutes of arc, 12 mm, or about 44 CSS
    # pixels of 1/96 in (common practice, no source); capitals are 0.7 of the font size.
    assert size >= 100


@pytest.mark.parametrize(("width", "height"), [(390, 844), (1280, 800)])
def test_reading_next_place_and_verdict_are_in_sight_without_scrolling(bench, width, height):
    bench.page.set_viewport_size({"width": width, "height": height})
    bench.start(unit="in", baseline="8.026", tolerance_deg="0.2")
    bench.open()
    for _ in range(3):
        bench.press("0.4750", unit="in")
        bench.press("0.4820", unit="in")
    bench.next("strip 4")
    expect(bench.page.locator("#verdict")).to_have_text("Good enough")
    hidden = bench.page.evaluate(
        """() => {
             const bottom = document.getElementById('typed').getBoundingClientRect().top;
             return ['next', 'value', 'state', 'verdict', 'figure', 'places', 'take-back']
               .filter((id) => {
                 const box = document.getElementById(id).getBoundingClientRect();
                 return box.height === 0 || box.top < 0 || box.bottom > bottom
                   || box.right > innerWidth;
               });
           }"""
    )
    assert hidden == []


@pytest.mark.parametrize("width", [320, 390, 768, 1280, 1600])
def test_nothing_is_cut_off_at_any_width(bench, width: int):
    bench.page.set_viewport_size({"width": width, "height": 800})
    overflow = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    bench.open()
    assert bench.page.evaluate(overflow) <= 0
    fill_in(bench.page, bench.name)
    bench.page.click("#show-guide")
    expect(bench.page.locator("#guide")).to_be_visible()
    assert bench.page.evaluate(overflow) <= 0
    bench.start(unit="in", baseline="8.026", tolerance_deg="0.02")
    for width_in in ("0.5840", "1.6170", "0.5840"):
        bench.press(width_in, unit="in")
    bench.shows("0.5840")
    bench.next("strip 2")
    assert bench.page.evaluate(overflow) <= 0
    value = bench.page.locator("#value")
    assert value.evaluate("(e) => e.scrollWidth <= e.clientWidth")


def test_every_control_has_a_name_and_every_id_is_one(bench):
    bench.start()
    bench.open()
    bench.press("13.21")
    bench.state("kept")
    nameless, twice, names = bench.page.evaluate(
        """() => {
             const name = (e) => (e.getAttribute('aria-label') ?? '')
               + [...(e.labels ?? [])].map((l) => l.textContent).join('') + e.textContent;
             const controls = [...document.querySelectorAll('button, input, select, summary, a')];
             const ids = [...document.querySelectorAll('[id]')].map((e) => e.id);
             const pictures = [...document.querySelectorAll('svg')].filter((e) =>
               !(e.getAttribute('aria-hidden') === 'true'
                 || (e.getAttribute('role') === 'img' && e.getAttribute('aria-label'))));
             return [
               controls.filter((e) => !name(e).trim()).map((e) => e.outerHTML),
               ids.filter((id, i) => ids.indexOf(id) !== i),
               pictures.map((e) => e.outerHTML),
             ];
           }"""
    )
    assert (nameless, twice, names) == ([], [], [])


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious_in_any_view(bench, scheme):
    page = bench.page
    page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
    bench.open()
    no_serious_axe_findings(page)
    fill_in(page, bench.name)
    page.click("#show-guide")
    expect(page.locator("#guide")).to_be_visible()
    no_serious_axe_findings(page)
    bench.start(tolerance_deg="0.02")
    for width in ("13.21", "13.25", "13.30"):
        bench.press(width)
    bench.next("open endstrip 2")
    page.click("#again-guide summary")
    expect(page.locator("#again-guide .cautions")).to_be_visible()
    no_serious_axe_findings(page)


def test_controls_are_large_enough_for_dusty_fingers(bench):
    """24 by 24 CSS pixels at least: WCAG 2.2, 2.5.8."""
    bench.start()
    bench.open()
    small = bench.page.evaluate(
        """() => [...document.querySelectorAll('button, input, select, summary')]
             .filter((e) => e.checkVisibility())
             .map((e) => (e.closest('label') ?? e).getBoundingClientRect())
             .filter((box) => box.width < 24 || box.height < 24).length"""
    )
    assert small == 0


def test_nothing_moves_for_those_who_asked_for_less_motion(bench):
    bench.page.emulate_media(reduced_motion="reduce")
    bench.start()
    bench.open()
    bench.press("13.21")
    bench.state("kept")
    moving = bench.page.evaluate("document.getAnimations().length")
    assert moving == 0


@pytest.mark.parametrize(
    "name",
    [
        pytest.param("</script><script>document.title = 'taken over'</script>", id="script"),
        pytest.param("Säge " * 39 + "Ende!", id="200 characters"),
        pytest.param("<!--<script>", id="comment"),
    ],
)
def test_names_are_shown_as_they_are_and_do_nothing(bench, name):
    series = bench.server.start_series(machine=name, bench=bench.name, note=name)
    bench.page.set_viewport_size({"width": 390, "height": 844})
    bench.open()
    expect(bench.page.locator("#measuring-title")).to_contain_text(name.strip())
    bench.press("13.21", caliper=name)
    bench.state("kept")
    bench.page.reload()
    bench.shows("13.21")
    assert "taken over" not in bench.page.title()
    overflow = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert bench.page.evaluate(overflow) <= 0
    bench.page.click("#finish")
    bench.page.click("#again")
    expect(bench.page.locator("#machine")).to_contain_text(name.strip())
    assert bench.page.evaluate(overflow) <= 0
    assert bench.readings(series) == ["13.21"]
