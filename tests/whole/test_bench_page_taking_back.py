"""The Bench page where a reading is taken back, counted after all, or its ends are swapped."""

from __future__ import annotations

from playwright.sync_api import expect

from tests.whole.at_the_bench import forgive
from tests.whole.browser import HeldBack


def test_a_reading_taken_back_is_struck_and_no_longer_counts(bench):
    series = bench.start()
    bench.open()
    bench.press("13.21")
    bench.press("13.52")
    bench.state("pair complete")
    bench.page.click("#take-back")
    bench.state("taken back")
    bench.shows("13.52")
    bench.next("open end")
    assert bench.sounded == "taken back"
    assert bench.readings(series) == ["13.21"]


def test_an_answer_long_on_its_way_does_not_undo_what_was_told_since(bench):
    bench.start()
    bench.open()
    bench.press("13.21")
    bench.press("13.52")
    figure = bench.page.locator("#figure")
    expect(figure).to_contain_text("1 strip")
    stands = HeldBack(bench.page, f"**/api/benches/{bench.name}")
    bench.page.context.set_offline(True)
    expect(bench.page.locator("#sign-live")).to_contain_text("no connection to the server")
    bench.page.context.set_offline(False)  # the link comes back, and the page asks for the state
    expect(bench.page.locator("#sign-live")).to_have_text("live")
    assert stands.answered()["next"]["place"] == "fence end"
    bench.page.click("#take-back")
    bench.state("taken back")
    expect(figure).to_have_text("No result yet")  # the state of the bench comes with the score
    bench.next("open end")
    stands.let_go()
    bench.next("open end")
    forgive(bench.complaints)


def test_a_strip_taken_back_does_not_come_again_with_an_answer_long_on_its_way(bench):
    page = bench.page
    bench.open()
    whole = HeldBack(page, "**/api/series/*")
    bench.start()
    assert whole.route
    bench.press("13.21")
    rows = page.locator("#trials tbody tr")
    expect(rows).to_have_count(1)
    assert len(whole.answered()["trials"]) == 1
    page.click("#take-back")
    expect(rows).to_have_count(0)
    whole.let_go()
    expect(rows).to_have_count(0)


def test_jaws_shut_and_sent_take_back_without_a_hand_on_the_page(bench):
    series = bench.start()
    bench.open()
    bench.press("13.21")
    # Its strip is told after it; of one taken back before that, the page shows the shut jaws alone.
    expect(bench.page.locator("#trials tbody tr")).to_have_count(1)
    bench.press("0.00")
    bench.state("taken back")
    bench.shows("13.21")
    bench.next("fence end")
    assert bench.readings(series) == []


def test_after_a_reload_each_answer_reads_as_it_stands_now(bench):
    bench.start()
    bench.open()
    bench.press("13.21")
    bench.press("13.25")
    bench.state("pair complete")
    bench.page.click("#take-back")
    bench.state("taken back")
    bench.page.reload()
    bench.state("taken back")
    bench.shows("13.25")
    bench.press("0.00")
    bench.next("fence end")
    bench.state("taken back")
    bench.shows("13.21")
    bench.page.reload()
    bench.state("taken back: the jaws were shut")
    bench.press("0.01")
    bench.state("nothing to take back")
    bench.press("13.30")
    bench.state("kept")
    bench.press("13.30", since_previous_ms=80)
    bench.state("ignored: repeat")
    bench.page.reload()
    bench.state("ignored: repeat")
    expect(bench.page.locator("#restore")).to_be_visible()


def test_swapped_ends_are_put_right_with_one_button(bench):
    series = bench.start()
    bench.open()
    bench.press("13.21")
    bench.press("13.25")
    bench.state("pair complete")
    bench.page.click("#swap-ends")
    row = bench.page.locator("#trials tbody tr").first
    expect(row).to_contain_text("ends swapped")
    expect(row).to_contain_text("−0.040")
    assert bench.server.get(f"/api/series/{series}")["trials"][0]["deviation_mm"] == -0.04


def test_a_bounce_is_shown_and_can_be_counted_after_all(bench):
    series = bench.start()
    bench.open()
    bench.press("13.21")
    bench.state("kept")
    bench.press("13.21", since_previous_ms=80)
    bench.state("ignored: repeat")
    assert bench.readings(series) == ["13.21"]
    bench.page.click("#restore")
    bench.next("strip 2")
    bench.state("pair complete: strip 1")
    expect(bench.page.locator("#restore")).to_be_hidden()
    assert bench.sounded == "complete"
    assert bench.readings(series) == ["13.21", "13.21"]
    bench.page.reload()
    bench.state("pair complete: strip 1")
