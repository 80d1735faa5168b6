"""How the Bench page looks and is read: sizes, widths, names of controls, motion."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from tests.whole.at_the_bench import fill_in, forgive
from tests.whole.browser import no_serious_axe_findings

_GLYPHS = """() => {
  const pen = document.createElement('canvas').getContext('2d');
  const heights = (element) => {
    const { fontWeight, fontSize, fontFamily } = getComputedStyle(element);
    pen.font = `${fontWeight} ${fontSize} ${fontFamily}`;
    const { d } = new DOMMatrix(getComputedStyle(element).transform);
    return (sign) => pen.measureText(sign).actualBoundingBoxAscent * d;
  };
  const figures = (selector) => {
    const height = heights(document.querySelector(selector));
    return Math.min(...'0123456789'.split('').map(height));
  };
  return {
    reading: figures('#value span'),
    figure: figures('#figure span'),
    place: heights(document.querySelector('#next b'))('H'),
    verdict: heights(document.querySelector('#verdict span'))('H'),
  };
}"""
_OUT_OF_SIGHT = """(shown) => {
  const foot = document.querySelector('.foot');
  const bottom = getComputedStyle(foot).position === 'fixed'
    ? foot.getBoundingClientRect().top : innerHeight;
  return shown.filter((id) => {
    const box = document.getElementById(id).getBoundingClientRect();
    const end = document.getElementById(id).closest('.foot') ? innerHeight : bottom;
    return box.height === 0 || box.top < 0 || box.bottom > end || box.right > innerWidth;
  });
}"""
SCREENS = [(390, 844), (844, 390), (1280, 800)]


@pytest.mark.parametrize(("width", "height"), SCREENS)
def test_a_sign_is_read_from_three_metres_and_all_to_act_on_is_in_sight(bench, width, height):
    """A phone of 390 px is 65 mm wide, so that 1/250 and 1/500 of 3 m are 72 and 36 px: of the
    figures and capitals themselves, in the font that this browser has."""
    page = bench.page
    page.set_viewport_size({"width": width, "height": height})
    bench.start(unit="in", baseline="8.026", tolerance_deg="0.2")
    bench.open()
    for _ in range(3):
        bench.press("0.4750", unit="in")
        bench.press("0.4820", unit="in")
    bench.next("strip 4")
    expect(page.locator("#verdict")).to_have_text("Good enough")
    expect(page.locator("nav.parts")).to_be_hidden()
    expect(page.locator("#typed")).to_be_hidden()
    page.evaluate("document.querySelector('#unlock').hidden = true")
    heights = page.evaluate(_GLYPHS)
    assert heights["reading"] >= 72, heights
    assert min(heights[name] for name in ("figure", "place", "verdict")) >= 36, heights
    shown = ["next", "value", "state", "verdict", "figure", "take-back", "finish", "type"]
    assert page.evaluate(_OUT_OF_SIGHT, shown) == []
    if width < 1000:
        # On a phone, which stands or lies, also with text of 200 %.
        page.evaluate("document.documentElement.style.fontSize = '200%'")
        assert page.evaluate(_OUT_OF_SIGHT, ["next", "value", "state", "take-back"]) == []
        page.evaluate("document.documentElement.style.fontSize = ''")
    bench.press("4.8200", unit="in")
    bench.state("does not count yet")
    asked = ["next", "value", "state", "question", "right", "wrong", "take-back"]
    assert page.evaluate(_OUT_OF_SIGHT, asked) == []
    page.click("#settings summary")
    expect(page.locator("nav.parts")).to_be_visible()


def test_on_a_phone_that_lies_neither_a_doubt_nor_a_lost_link_hides_the_result(bench):
    page = bench.page
    page.set_viewport_size({"width": 844, "height": 390})
    bench.start(tolerance_deg="0.05")
    bench.open()
    page.evaluate("document.querySelector('#unlock').hidden = true")
    signs = ["next", "value", "state", "verdict", "figure", "take-back", "finish"]
    for fence, opened in (("12.30", "12.70"), ("12.31", "12.72"), ("12.30", "12.71")):
        bench.press(fence, since_previous_ms=4000)
        bench.press(opened, since_previous_ms=4000)
    expect(page.locator("#figure")).to_contain_text("3 strips")
    bench.press("12.71", since_previous_ms=4000)
    bench.press("12.30", since_previous_ms=4000)
    expect(page.locator("#in-hand")).to_contain_text("swap them")
    expect(page.locator("#figure")).to_contain_text("4 strips")
    assert page.evaluate(_OUT_OF_SIGHT, ["in-hand", *signs]) == []
    heights = page.evaluate(_GLYPHS)
    assert min(heights[name] for name in ("figure", "place", "verdict")) >= 36, heights
    page.context.set_offline(True)
    expect(page.locator("#notice")).to_contain_text("Not connected")
    assert page.evaluate(_OUT_OF_SIGHT, ["notice", "in-hand", *signs]) == []
    forgive(bench.complaints)


def test_a_long_number_is_made_narrow_and_stays_as_high(bench):
    page = bench.page
    page.set_viewport_size({"width": 390, "height": 844})
    bench.start()
    bench.open()
    bench.press("203.865")
    bench.shows("203.865")
    box = page.locator("#value span").bounding_box()
    unit = page.locator("#value small").bounding_box()
    assert box["x"] + box["width"] <= unit["x"] <= 390 - unit["width"]
    assert page.locator("#value").evaluate("(e) => e.scrollWidth <= e.clientWidth")
    drawn = "new DOMMatrix(getComputedStyle(document.querySelector('#value span')).transform).d"
    assert page.evaluate(drawn) == 1
    # In full screen, where the browser has it.
    page.click("#full")
    expect(page.locator("#full")).to_have_text("Leave full screen")
    page.click("#full")
    expect(page.locator("#full")).to_have_text("Full screen")


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
