"""The Bench page while a series runs: its answer to a press, and what it shows of the result."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

from playwright.sync_api import BrowserContext, expect

from capture.pretend import PtyPort
from tests.ptys import plugged, until
from tests.whole.at_the_bench import Bench, forgive
from tests.whole.browser import intercept, wait_for
from tests.whole.forked import serving


def test_every_press_is_answered_in_word_sound_and_next_place(bench):
    series = bench.start()
    bench.open()
    bench.next("fence end")
    expect(bench.page.locator('.place.next[data-place="fence end"] .pointer')).to_be_visible()
    bench.press("13.21")
    bench.shows("13.21")
    bench.state("kept: fence end")
    bench.next("open end")
    expect(bench.page.locator('.place.next[data-place="open end"] .pointer')).to_be_visible()
    assert bench.sounded == "kept"
    # Who cannot see it hears all of it as one.
    heard = bench.page.get_by_role("status").filter(has_text="13.21")
    expect(heard).to_have_text(re.compile(r"^\s*Next: open end.*13.21.*kept: fence end", re.S))
    expect(heard).to_have_attribute("aria-atomic", "true")
    bench.press("13.25")
    bench.shows("13.25")
    bench.state("pair complete")
    bench.next("strip 2")
    assert bench.sounded == "complete"
    row = bench.page.locator("#trials tbody tr").first
    expect(row).to_contain_text("13.21")
    expect(row).to_contain_text("13.25")
    expect(row).to_contain_text("+0.040")
    assert bench.readings(series) == ["13.21", "13.25"]


def test_a_press_draws_the_row_of_its_strip_alone(bench):
    """However many strips there are, a press is shown as fast."""
    series = bench.start()
    bench.open()
    rows = bench.page.locator("#trials tbody tr")
    for value in ("13.21", "13.25", "13.22", "13.27", "13.30"):
        bench.press(value)
    expect(rows).to_have_count(3)
    expect(rows.first).to_contain_text("13.30")

    fresh = "rows => rows.map((row) => !row.dataset.before)"
    remember = "rows => rows.forEach((row) => { row.dataset.before = 'true'; })"
    rows.evaluate_all(remember)
    bench.press("13.36")
    expect(rows.first).to_contain_text("+0.060")
    assert rows.evaluate_all(fresh) == [True, False, False]
    rows.evaluate_all(remember)
    bench.press("13.24")
    expect(rows.first).to_contain_text("13.24")
    assert rows.evaluate_all(fresh) == [True, False, False, False]
    rows.evaluate_all(remember)
    bench.server.post(f"/api/series/{series}/trials/2/swap-ends")
    expect(rows.nth(2)).to_contain_text("ends swapped")
    assert rows.evaluate_all(fresh) == [False, False, True, False]


def test_the_result_says_how_far_which_way_and_how_sure(bench):
    """Ends of 0.475 and 0.482 in over 8.026 in: 0.025 degrees (common practice, no source)."""
    bench.start(unit="in", baseline="8.026", tolerance_deg="0.2", strip_side="left")
    bench.open()
    for _ in range(3):
        bench.press("0.475", unit="in")
        bench.press("0.482", unit="in")
    expect(bench.page.locator("#figure")).to_contain_text("0.025")
    expect(bench.page.locator("#figure")).to_contain_text("right")
    expect(bench.page.locator("#figure")).to_contain_text("95 %")
    expect(bench.page.locator("#verdict")).to_have_text("Good enough")
    expect(bench.page.locator("#sentence")).to_contain_text("leans to the right")
    expect(bench.page.locator('#result .lean[data-lean="right"] .lean.right')).to_be_visible()
    expect(bench.page.locator("#trials tbody tr").first).to_contain_text("+7.0")


def test_what_a_careful_reader_should_know_of_a_trial_is_said_in_words(bench):
    bench.start()
    bench.open()
    bench.press("312.30")
    bench.state("kept")
    row = bench.page.locator("#trials tbody tr").first
    expect(row).to_contain_text("longer than the jaws open")


def test_a_line_nobody_understands_is_shown_as_received(page, tmp_path, complaints):
    with (
        plugged() as port,
        serving(tmp_path / "shop", "--caliper", f"serial:{port.target},unit=mm") as server,
    ):
        server.start_series()
        assert server.calipers_listen()
        at = Bench(server, page, "main")
        at.open()
        port.send(b"12.3.4\r\n")
        at.state("not understood")
        expect(page.locator("#value")).to_have_text("12.3.4")
        expect(page.locator("#state-more")).not_to_be_empty()
        assert at.sounded == "refused"
        port.send(b"12.34\r\n")
        at.shows("12.34")
        at.state("kept")
        assert complaints == []


def test_a_series_started_elsewhere_takes_the_page_along(bench):
    bench.open()
    expect(bench.page.locator("#setup")).to_be_visible()
    bench.start()
    expect(bench.page.locator("#measuring")).to_be_visible()
    bench.next("fence end")


def test_repeats_say_which_one_is_next(bench):
    bench.start(repeats=3)
    bench.open()
    bench.next("reading 1 of 3")
    bench.press("13.21")
    bench.next("reading 2 of 3")


def test_a_reload_in_the_middle_of_a_strip_loses_nothing(bench):
    bench.start()
    bench.open()
    for width in ("13.21", "13.25", "13.30"):
        bench.press(width)
    bench.next("open end")
    bench.page.reload()
    bench.next("open end")
    bench.shows("13.30")
    bench.state("kept: fence end, strip 2")
    expect(bench.page.locator("#trials tbody tr")).to_have_count(2)
    expect(bench.page.locator("#figure")).to_contain_text("°")


def test_the_page_shows_how_things_stand_before_it_asks_anything(bench, complaints):
    bench.start(tolerance_deg="0.5")
    for width in ("13.21", "13.25", "13.30"):
        bench.press(width)
    intercept(bench.page, "**/api/**", lambda route: route.abort())
    bench.page.goto(f"{bench.server.url}/bench/{bench.name}")
    bench.next("open end")
    bench.shows("13.30")
    bench.state("kept: fence end, strip 2")
    expect(bench.page.locator("#trials tbody tr")).to_have_count(2)
    expect(bench.page.locator("#figure")).to_contain_text("°")
    expect(bench.page.locator('.place.next[data-place="open end"]')).to_be_visible()
    forgive(complaints)


def test_a_series_started_later_shows_its_own_strip(bench):
    bench.start(method="stop-block")
    bench.open()
    expect(bench.page.locator("#places svg")).to_be_visible()
    bench.start(method="half-turn", baseline=None, thickness="18")
    bench.next("lower edge")
    expect(bench.page.locator('.place.next[data-place="lower edge"] .pointer')).to_be_visible()


def test_units_are_a_persons_choice_without_a_reload(bench):
    """Ends of 0.475 and 0.482 in over 8.026 in: 0.025 degrees (common practice, no source)."""
    page = bench.page
    bench.start(unit="in", baseline="8.026", tolerance_deg="0.2")
    bench.open()
    for _ in range(2):
        bench.press("0.475", unit="in")
        bench.press("0.482", unit="in")
    row = page.locator("#trials tbody tr").first
    expect(page.locator("#trials thead")).to_contain_text("Deviation, thou")
    expect(row).to_contain_text("+7.0")
    expect(page.locator("#figure")).to_contain_text("0.025")
    page.evaluate("globalThis.same = true")
    page.click("text=Settings")
    page.click(".units summary")
    page.select_option("#unit-length", "mm")
    page.select_option("#unit-angle", "arcmin")
    expect(page.locator("#trials thead")).to_contain_text("Deviation, mm")
    expect(row).to_contain_text("+0.178")  # 0.007 in
    expect(row).to_contain_text("12.243")  # 0.482 in
    expect(page.locator("#figure")).to_contain_text("′ leans right")
    expect(page.locator("#figure")).to_contain_text("1.50")  # 0.0250 degrees
    expect(page.locator("#sentence")).to_contain_text("arc minutes")
    expect(page.locator("#sentence")).to_contain_text("mm per 300 mm")
    # What the caliper shows stays large; the value in the other unit is beside it.
    bench.shows("0.482")
    expect(page.locator("#state-more")).to_contain_text("= 12.243 mm")
    page.select_option("#unit-length", "thou")
    expect(page.locator("#trials thead")).to_contain_text("Deviation, thou")
    expect(row).to_contain_text("482.0 thou")
    assert page.evaluate("same")
    page.select_option("#unit-angle", "gap")
    page.fill("#unit-joint", "8 1/0 in")
    page.keyboard.press("Tab")
    expect(page.locator("#unit-joint:invalid")).to_be_visible()
    forgive(bench.complaints)
    # Half of 0.007 in over 8.026 in, told over a joint of 8 1/32 in: 0.003502 in.
    page.fill("#unit-joint", "8 1/32 in")
    page.keyboard.press("Tab")
    expect(page.locator("#figure")).to_contain_text("3.50 thou gap leans right")
    expect(page.locator("#sentence")).to_contain_text("thou over 8.0313 in (0.025")
    page.select_option("#unit-angle", "arcmin")
    page.reload()
    expect(page.locator("#figure")).to_contain_text("′ leans right")
    expect(page.locator("#unit-length")).to_have_value("thou")


def test_two_people_at_two_benches_never_see_each_others_readings(server, context: BrowserContext):
    left, right = (Bench(server, context.new_page(), name) for name in ("two left", "two right"))
    for at in (left, right):
        at.start()
        at.open()
    for turn in range(3):
        left.press(f"13.2{turn}")
        left.shows(f"13.2{turn}")
        right.keyboard.caliper(f"47.3{turn}")
        right.shows(f"47.3{turn}")
        left.shows(f"13.2{turn}")
    for at, own, other in ((left, "13.2", "47.3"), (right, "47.3", "13.2")):
        expect(at.page.locator("#trials tbody tr")).to_have_count(2)
        expect(at.page.locator("#trials")).to_contain_text(own)
        expect(at.page.locator("body")).not_to_contain_text(other)
    left.page.click("#take-back")
    left.state("taken back")
    right.state("kept")


def test_the_screen_stays_awake_while_a_series_runs(server, context: BrowserContext):
    context.add_init_script(
        """globalThis.locks = [];
           const request = async () => {
             const lock = new EventTarget(); lock.release = async () => locks.push('released');
             locks.push('held'); return lock; };
           Object.defineProperty(Navigator.prototype, 'wakeLock', { get: () => ({ request }) });"""
    )
    page = context.new_page()
    at = Bench(server, page, "awake")
    at.start()
    at.open()
    wait_for(page, "locks.at(-1) === 'held'")
    page.click("#finish")
    wait_for(page, "locks.at(-1) === 'released'")


def test_a_caliper_that_sends_when_asked_is_asked_with_one_button(page, tmp_path):
    # A caliper that answers each request with the next of its values.
    values = iter([b"12.30\r\n", b"12.34\r\n"])
    port = PtyPort(answer=lambda asked: next(values) if asked.strip() == b"?" else b"")
    spec = f"serial:{port.target},unit=mm,mode=ask,request=?"
    try:
        with serving(tmp_path / "shop", "--caliper", spec) as server:
            series = server.start_series()
            assert server.calipers_listen()
            page.goto(server.url)
            ask = page.get_by_role("button", name="Ask the caliper")
            for count in (1, 2):
                ask.click()
                assert until(lambda n=count: sum(map(len, server.trials(series))) == n)
                # Until the server answers, its button does nothing more.
                expect(ask).to_have_attribute("aria-busy", "false")
            assert server.trials(series) == [["12.30", "12.34"]]
            expect(page.locator("#value")).to_contain_text("12.34")
    finally:
        port.close()


def test_a_reading_that_can_hardly_be_right_is_asked_about_and_answered(bench):
    """Pressed again it counts; another value takes its place; a button answers either way. So after
    a night, when measuring on goes on, too; on a phone."""
    page, question = bench.page, bench.page.locator("#question")
    page.set_viewport_size({"width": 390, "height": 844})
    series = bench.start()
    bench.open()
    for sent in ("11.40", "11.44", "11.52", "11.55"):
        bench.press(sent)
    bench.state("pair complete")
    bench.press("115.20")
    bench.state("does not count yet")
    expect(question).to_contain_text("115.20? The last strips were near 11.5. Measure it again.")
    assert bench.sounded == "asked"
    page.reload()
    expect(question).to_contain_text("115.20?")
    # All of it is seen without scrolling.
    page.evaluate("document.querySelector('#unlock').hidden = true")
    button, foot = page.locator("#right").bounding_box(), page.locator(".foot").bounding_box()
    assert button["height"] >= 44
    assert button["y"] + button["height"] < foot["y"]
    bench.press("11.60")
    bench.state("kept: fence end")
    expect(question).to_be_hidden()
    bench.press("11.63")
    bench.state("pair complete")
    bench.press("1.15")
    bench.state("does not count yet")
    page.click("#right")
    bench.state("kept: fence end")
    expect(question).to_be_hidden()
    page.click("#take-back")
    bench.state("taken back")
    bench.press("114.20")
    bench.state("does not count yet")
    page.click("#wrong")
    bench.state("taken back")
    expect(question).to_be_hidden()
    undo = page.locator("#undo")
    for taken_back in (lambda: bench.press("0.00"), lambda: page.click("#take-back")):
        bench.press("114.20", since_previous_ms=4000)
        bench.state("does not count yet")
        taken_back()
        bench.state("taken back")
        bench.shows("114.20")
        expect(undo).to_contain_text("114.20 taken back. Undo to count it again.")
    bench.press("114.20", since_previous_ms=4000)
    bench.state("does not count yet")
    bench.press("114.20", since_previous_ms=80)
    bench.state("ignored: repeat")
    expect(page.locator("#restore")).to_be_hidden()  # "It is right" counts it
    page.click("#take-back")
    expect(question).to_be_hidden()
    so_far = ["11.40", "11.44", "11.52", "11.55", "11.60", "11.63"]
    assert bench.readings(series) == so_far
    bench.press("113.90")
    bench.state("does not count yet")
    bench.press("113.91")
    bench.state("kept: fence end")
    assert bench.readings(series) == [*so_far, "113.91"]
    page.click("#take-back")
    bench.state("taken back")

    def after(hours: int, sent: str) -> None:
        later = datetime.now(UTC) + timedelta(hours=hours)
        bench.press(sent, taken_at=later.isoformat())

    after(13, "11.41")
    expect(question).to_contain_text("11.41? Nothing was measured here for 13 hours.")
    page.get_by_role("button", name="Go on").click()
    bench.state("kept: fence end")
    after(13, "11.45")
    bench.state("pair complete")
    after(26, "11.51")
    bench.state("does not count yet")
    after(26, "11.56")
    bench.state("pair complete")
    assert bench.readings(series) == [*so_far, "11.41", "11.45", "11.51", "11.56"]
    after(39, "11.31")
    page.get_by_role("button", name="New series").click()
    expect(page.locator("#finished-heard")).to_have_text(
        "The last reading, 11.31, does not count in it."
    )
    page.get_by_role("button", name="Set up the next series").click()
    expect(page.locator("#setup")).to_be_visible()
