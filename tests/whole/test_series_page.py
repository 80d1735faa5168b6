"""The page and the report of a series as a person meets them: a real server, a real Chromium."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from statistics import fmean, stdev
from typing import Any
from uuid import uuid4

import pytest
from playwright.sync_api import Page, expect

from tests.ptys import until
from tests.whole.browser import HeldBack, intercept, no_serious_axe_findings
from tests.whole.forked import serving
from tests.whole.serving import Serving

_NASTY = "<script>alert(1)</script> & \"saw\" 'of' " + "W" * 160


class Shop:
    """A bench of its own on the shared server, its page, and what was pressed at it."""

    def __init__(self, server: Serving, page: Page, bench: str) -> None:
        self.server = server
        self.page = page
        self.bench = bench

    def start(self, machine: str = "Long bench saw", **settings: Any) -> str:
        return self.server.start_series(machine=machine, bench=self.bench, **settings)

    def press(self, *sent: str, **more: Any) -> list[str]:
        """Readings four seconds apart; their ids."""
        readings = [
            {
                "id": str(uuid4()),
                "bench": self.bench,
                "caliper": f"caliper of {self.bench}",
                "sent": text,
                "unit": "mm",
                "taken_at": datetime.now(UTC).isoformat(),
                "since_previous_ms": 4000,
            }
            | more
            for text in sent
        ]
        self.server.post("/api/readings", readings)
        return [r["id"] for r in readings]

    def strips(self, *hundredths: int) -> None:
        """One strip for each, its open end so many hundredths of a millimetre wider."""
        for d in hundredths:
            self.press("12.00", f"{12 + d / 100:.2f}")

    def open(self, path: str) -> None:
        self.page.goto(self.server.url + path)

    def sent(self, series: str) -> list[list[str]]:
        return self.server.trials(series)


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Serving]:
    with serving(tmp_path_factory.mktemp("series") / "shop") as running:
        yield running


@pytest.fixture
def shop(server: Serving, page: Page, request: pytest.FixtureRequest) -> Iterator[Shop]:
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on(
        "console",
        lambda m: complaints.append(m.text) if m.type in ("error", "warning") else None,
    )
    yield Shop(server, page, re.sub(r"\W+", "-", request.node.name)[:80])
    # A link that a test cuts is complained of, rightly.
    assert [c for c in complaints if "net::ERR_FAILED" not in c] == []


def angles(*hundredths: int) -> list[float]:
    """Reversal over 200 mm: tan e = D / (2 L), in degrees."""
    return [math.degrees(math.atan(d / 100 / 400)) for d in hundredths]


# ---- what it says


def test_the_series_says_how_far_out_how_sure_and_what_each_strip_was(shop):
    deviations = (40, 43, 41, 38, 42)
    series = shop.start(tolerance_deg="0.1", note="new blade", person="Ines")
    shop.strips(*deviations)
    shop.open(f"/series/{series}")
    page = shop.page
    values = angles(*deviations)
    mean = fmean(values)
    shown = page.locator(".result .figure")
    expect(shown).to_contain_text(f"+{mean:.4f}°")
    expect(page.locator(".result")).to_have_attribute("data-verdict", "good enough")
    expect(page.locator(".result .verdict")).to_have_text("good enough")
    rows = page.locator("#pictures table tbody tr")
    expect(rows).to_have_count(5)
    for i, (d, value) in enumerate(zip(deviations, values, strict=True)):
        expect(rows.nth(i)).to_contain_text(f"{12 + d / 100:.2f}")
        expect(rows.nth(i)).to_contain_text(f"+{value:.4f}°")
    # One mark for each strip in the picture, one for the mean.
    assert page.locator("#pictures .chart .dot").count() == 5
    sd = page.locator("#figures dd data").nth(2).get_attribute("value")
    assert float(sd or 0) == pytest.approx(stdev(values), rel=1e-9)


def test_the_budget_adds_up_to_what_is_stated(shop):
    series = shop.start()
    shop.strips(40, 44, 41, 38)
    shop.open(f"/series/{series}")
    shop.page.click("#known > summary")
    table = shop.page.locator("table:has(#budget-angle)")
    shares = [float(t.split()[0]) for t in table.locator("tbody td:last-child").all_inner_texts()]
    assert sum(shares) == pytest.approx(100, abs=2)
    parts = [
        float(v.get_attribute("value") or 0)
        for v in table.locator("tbody td:nth-child(6) data").all()
    ]
    combined, expanded = (
        float(v.get_attribute("value") or 0) for v in table.locator("tfoot td data").all()
    )
    assert math.hypot(*parts) == pytest.approx(combined, rel=1e-9)
    stated = shop.server.get(f"/api/series/{series}")["score"]["quantities"]["angle"]
    assert expanded == stated["expanded_uncertainty"]
    assert combined * stated["coverage_factor"] == pytest.approx(expanded, rel=1e-9)


def test_a_doubtful_strip_is_marked_and_told_with_and_without(shop):
    series = shop.start(tolerance_deg="0.07")
    shop.strips(40, 41, -40, 39, 42)
    shop.open(f"/series/{series}")
    doubt = shop.page.locator(".doubts li")
    expect(doubt).to_contain_text("Strip 3")
    expect(doubt).to_contain_text(f"+{fmean(angles(40, 41, 39, 42)):.4f}°")
    expect(doubt).to_contain_text("good enough")
    assert shop.page.locator("#pictures .chart polygon.dot").count() == 1
    expect(shop.page.locator("#pictures tr.doubted th")).to_have_text("3")


def test_numbers_follow_the_units_a_person_chooses(shop):
    series = shop.start()
    shop.strips(40, 43, 41)
    shop.open(f"/series/{series}")
    page = shop.page
    page.click("summary:has-text('Units')")
    page.select_option("#unit-angle", "arcmin")
    mean = fmean(angles(40, 43, 41)) * 60
    expect(page.locator(".result .figure")).to_contain_text(f"+{mean:.2f}′")
    sentence = page.locator(".result .sentence")
    expect(sentence).to_contain_text("mm per 300 mm")
    expect(sentence).to_contain_text(f"{mean:.2f} ±")
    expect(sentence).to_contain_text("arc minutes")
    page.select_option("#unit-length", "thou")
    expect(sentence).to_contain_text("thou per foot")
    expect(page.locator("#pictures tbody tr").first).to_contain_text("+15.7 thou")


def test_what_the_error_does_to_a_joint_and_back(shop):
    series = shop.start(tolerance_gap="0.2", tolerance_joint="180")
    shop.strips(40, 40, 41)
    shop.open(f"/series/{series}")
    answer = shop.page.locator("#work-answer")
    e = math.radians(fmean(angles(40, 40, 41)))
    expect(answer).to_contain_text(f"{180 * math.tan(e):.2f}")
    expect(answer).to_contain_text(f"{math.degrees(math.atan(0.2 / 180)):.4f} degrees")
    shop.page.click("#work-fold > summary")
    shop.page.fill("#joint", "80")
    expect(answer).to_contain_text(f"{80 * math.tan(e):.4f}")


# ---- while it runs


def test_strips_appear_as_they_are_read(shop):
    series = shop.start()
    shop.open(f"/series/{series}")
    page = shop.page
    expect(page.locator("#results")).to_contain_text("Press the caliper’s send button")
    shop.strips(40)
    expect(page.locator("#trial-1")).to_contain_text("12.40")
    shop.strips(42)
    expect(page.locator("#pictures tbody tr")).to_have_count(2)
    expect(page.locator(".result .figure")).to_contain_text(f"{fmean(angles(40, 42)):.3f}°")
    # What a person folded stays folded when the next strip is drawn.
    page.click("#numbers-angle > summary")
    shop.strips(41)
    expect(page.locator("#pictures tbody tr")).to_have_count(3)
    expect(page.locator("#numbers-angle table")).to_be_hidden()


def test_what_is_written_in_a_note_stays_while_strips_come_in(shop):
    series = shop.start()
    shop.open(f"/series/{series}")
    shop.page.fill("#note", "half a thought")
    shop.strips(40)
    answer = shop.page.locator("#work-answer")
    expect(answer).to_contain_text(f"{150 * math.tan(math.radians(angles(40)[0])):.2f}")
    shop.strips(60)
    expect(shop.page.locator("#pictures tbody tr")).to_have_count(2)
    expect(answer).to_contain_text("0.19 ±")  # 150 mm by (0.40 + 0.60) / 2 over 400
    expect(shop.page.locator("#note")).to_have_value("half a thought")


def test_a_reading_is_taken_back_with_the_keyboard_and_stays_on_record(shop):
    series = shop.start()
    shop.strips(40, 41)
    shop.open(f"/series/{series}")
    page = shop.page
    button = page.locator("#trial-1 [data-act=take-back]").nth(1)
    button.focus()
    page.keyboard.press("Enter")
    expect(page.locator("#message")).to_have_text("Taken back.")
    expect(page.locator("#trial-1")).to_contain_text("not complete")
    expect(page.locator("#trial-1")).to_be_focused()
    expect(page.locator(".aside")).to_contain_text("12.40")
    expect(page.locator(".aside")).to_contain_text("taken back")
    assert shop.sent(series) == [["12.00"], ["12.00", "12.41"]]


def test_ends_swapped_on_the_page_keep_the_focus_on_their_button(shop):
    series = shop.start()
    shop.strips(40, 41, -40, 39, 42)
    shop.open(f"/series/{series}")
    page = shop.page
    page.click("#trial-3 [data-act=swap-ends]")
    expect(page.locator("#pictures tbody tr").nth(2)).to_contain_text("ends swapped")
    expect(page.locator(".doubts")).to_have_count(0)
    expect(page.locator("#trial-3 [data-act=swap-ends]")).to_be_focused()


def test_a_repeat_that_was_real_is_counted_after_all(shop):
    series = shop.start()
    shop.press("12.00")
    shop.press("12.00", since_previous_ms=60)
    shop.open(f"/series/{series}")
    page = shop.page
    expect(page.locator(".aside")).to_contain_text("a repeat of the previous reading")
    page.click("[data-act=restore]")
    expect(page.locator("#trial-1 .readings li")).to_have_count(2)
    expect(page.locator(".aside")).to_have_count(0)
    shop.press("12.10", "121.00")
    expect(page.locator(".aside")).to_contain_text("can hardly be right")


def test_slips_are_corrected_on_a_phone_after_finish_and_undone(shop):
    series = shop.start(baseline="18.4")
    shop.strips(40, 41, 160)
    shop.server.post(f"/api/series/{series}/finish")
    page, changed = shop.page, shop.page.locator(".trail li")
    page.set_viewport_size({"width": 390, "height": 844})
    shop.open(f"/series/{series}")
    expect(page.locator("#sign")).to_contain_text("Finished")
    expect(page.locator("#undo")).to_be_hidden()
    # Verdict, sentence and picture first: what they rest on is folded, where a laptop shows it.
    expect(page.locator("#pictures figure").first).to_be_visible()
    expect(page.locator("#trial-3")).to_be_hidden()
    expect(page.locator("#numbers-angle table")).to_be_hidden()
    assert page.evaluate("document.documentElement.scrollHeight") <= 3 * 844
    page.get_by_text("Correct what was said").click()
    page.click("#correct-form [type=submit]")
    expect(page.locator("#correct-form .status")).to_contain_text("Nothing is changed here yet")
    page.fill("#correct-baseline", "184")
    page.select_option("#correct-strip_side", "right")
    page.fill("#who", "Ines")
    page.fill("#correct-reason", "read off the wrong line")
    page.click("#correct-form [type=submit]")
    expect(changed.first).to_contain_text("18.4 → 184")
    expect(changed.first).to_contain_text("left → right")
    expect(changed.first).to_contain_text("Ines: read off the wrong line")
    expect(page.locator("#undo")).to_contain_text("18.4 → 184")
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    # The outlier that was flagged.
    page.click("#readings-title")
    page.once("dialog", lambda dialog: dialog.accept("a chip at the fence"))
    page.click("#trial-3 [data-act=leave-out]")
    expect(page.locator("#trial-3")).to_contain_text("left out")
    expect(page.locator("#pictures tbody tr").nth(2)).to_contain_text("left out")
    expect(changed.first).to_contain_text("Ines: a chip at the fence")
    page.locator("#undo").get_by_role("button", name="Undo").click()
    expect(changed.nth(1)).to_contain_text("Strip 3: left out (undone)")
    expect(page.locator("#trial-3")).not_to_contain_text("left out")
    # What was undone last is not offered; what was done before is in the list.
    expect(page.locator("#undo")).to_be_hidden()
    changed.last.get_by_role("button").click()
    expect(changed.last).to_contain_text("(undone)")
    assert shop.server.get(f"/api/series/{series}")["baseline"] == "18.4"


def test_strips_that_belong_elsewhere_are_moved_and_named_in_the_list(shop):
    other = shop.start("Saw next door")
    shop.strips(20)
    series = shop.start()
    shop.strips(40, 41, 42)
    shop.server.post(f"/api/series/{series}/finish")
    page, changed = shop.page, shop.page.locator(".trail li")
    shop.open(f"/series/{series}")
    page.click("#trial-3 [data-act=move]")
    page.keyboard.press("Escape")
    page.click("#trial-2 [data-act=move]")
    page.check("#move-rest")
    page.get_by_role("button", name="Move", exact=True).click()
    page.wait_for_url(lambda url: not url.endswith(series))
    made = page.url.rsplit("/", 1)[1]
    expect(changed.first).to_contain_text("moved here from another series")
    assert shop.sent(series) == [["12.00", "12.40"]]
    page.locator("#undo").get_by_role("button").click()
    expect(changed.last).to_contain_text("(undone)")
    expect(page.locator("#results")).to_contain_text("It has no readings")
    assert made not in shop.server.client.get("/api/series").text
    # To one that is there, where the machine was corrected too.
    shop.open(f"/series/{series}")
    expect(changed.last).to_contain_text("Strips moved to another series: 2, 3 (undone)")
    page.click("#trial-3 [data-act=move]")
    page.select_option("#move-to", other)
    page.get_by_role("button", name="Move", exact=True).click()
    page.wait_for_url(f"**/series/{other}")
    assert [trial[1] for trial in shop.sent(other)] == ["12.20", "12.42"]
    page.get_by_text("Correct what was said").click()
    page.fill("#correct-machine", "Long bench saw")
    page.click("#correct-form [type=submit]")
    expect(changed.first).to_contain_text("Machine: Saw next door → Long bench saw")
    # Where it left, it can be undone too.
    shop.open(f"/series/{series}")
    changed.first.get_by_role("button").click()
    expect(changed.first).to_contain_text("(undoes an earlier change)")
    assert [trial[1] for trial in shop.sent(series)] == ["12.40", "12.41", "12.42"]


def test_what_could_not_be_drawn_when_it_was_told_is_drawn_later(shop):
    series = shop.start()
    shop.open(f"/series/{series}")
    page = shop.page
    intercept(page, f"**/series/{series}", lambda route: route.abort("failed"))
    shop.strips(40)
    expect(page.locator("#problem")).to_contain_text("does not answer")
    page.unroute(f"**/series/{series}")
    expect(page.locator("#trial-1")).to_contain_text("12.40")
    expect(page.locator("#problem")).to_be_hidden()


def test_of_two_notes_the_one_written_last_stays(shop):
    series = shop.start()
    shop.open(f"/series/{series}")
    page = shop.page
    first = HeldBack(page, f"**/api/series/{series}", "PATCH")
    for note in ("first", "last"):
        page.fill("#note", note)
        page.click("#note-form button")
        assert first.route
    first.let_go()
    # Spoken to all the while, or the second request would not pass.
    assert until(
        lambda: page.evaluate("1") and shop.server.get(f"/api/series/{series}")["note"] == "last"
    )
    expect(page.locator("#note-status")).to_have_text("Saved.")


def test_an_old_page_does_not_touch_the_series_that_runs_now(shop):
    series = shop.start()
    shop.strips(40)
    page = shop.page
    intercept(page, "**/api/live*", lambda route: route.abort())  # the page hears of nothing
    shop.open(f"/series/{series}")
    other = shop.start("Another saw")
    shop.strips(10)
    page.click("#trial-1 [data-act=swap-ends]")
    expect(page.locator("#message")).to_have_text("Ends swapped.")
    assert shop.server.get(f"/api/series/{series}")["trials"][0]["flags"] != []
    assert shop.server.get(f"/api/series/{other}")["trials"][0]["flags"] == []


def test_a_note_is_kept(shop):
    series = shop.start()
    shop.open(f"/series/{series}")
    shop.page.fill("#note", "fence cleaned & <b>bolted</b>")
    shop.page.click("#note-form button")
    expect(shop.page.locator("#note-status")).to_have_text("Saved.")
    assert shop.server.get(f"/api/series/{series}")["note"] == "fence cleaned & <b>bolted</b>"
    shop.page.reload()
    expect(shop.page.locator("#note")).to_have_value("fence cleaned & <b>bolted</b>")


# ---- other methods, odd ones, nothing


def test_a_roll_shows_angle_and_tilt_each_with_its_own_budget(shop):
    series = shop.start(method="roll", thickness="18", tolerance_deg="0.05")
    for corners in (
        ("11.40", "11.44", "11.60", "11.66"),
        ("11.41", "11.42", "11.61", "11.65"),
        ("11.43", "11.45", "11.66", "11.68"),
    ):
        shop.press(*corners)
    shop.open(f"/series/{series}")
    expect(shop.page.locator(".result")).to_have_count(2)
    shop.page.click("#known > summary")
    for quantity in ("angle", "tilt"):
        expect(shop.page.locator(f"#budget-{quantity}")).to_be_visible()


@pytest.mark.parametrize(
    ("method", "sent", "says"),
    [
        ("stop-block", ("150.00", "150.03", "150.01"), "150.01"),
        ("same-spot", ("12.00", "12.02", "12.01"), "0.01"),
        ("known-block", ("25.01", "25.01", "25.02"), "too long"),
        ("closing-miters", ("0.30", "0.32"), "too obtuse"),
        ("planed-thickness", ("18.00", "18.05", "18.01", "18.05"), "right edge"),
        ("blade-to-slot", ("30.00", "30.05", "30.01", "30.05"), "blade"),
    ],
)
def test_every_method_has_a_page_and_a_report(shop, method, sent, says):
    baseline = "25" if method == "known-block" else "200"
    series = shop.start(method=method, baseline=baseline)
    shop.press(*sent)
    for path in ("", "/report"):
        shop.open(f"/series/{series}{path}")
        expect(shop.page.locator("main")).to_contain_text(says)


def test_one_strip_alone_has_a_page_and_asks_for_another(shop):
    series = shop.start(tolerance_deg="0.1")
    shop.strips(40)
    shop.open(f"/series/{series}")
    expect(shop.page.locator(".result")).to_have_attribute("data-verdict", "cannot tell yet")
    expect(shop.page.locator("#figures")).to_contain_text("caliper and hand")


def test_a_name_that_is_no_name_breaks_nothing(shop):
    series = shop.start(_NASTY, note=_NASTY, person=_NASTY)
    shop.press("12.00", "12.40", caliper=_NASTY)
    shop.page.set_viewport_size({"width": 390, "height": 844})
    for path in (f"/series/{series}", f"/series/{series}/report", "/series"):
        shop.open(path)
        expect(shop.page.locator("main")).to_contain_text("<script>alert(1)</script>")
        assert shop.page.evaluate("document.documentElement.scrollWidth") <= 390


def test_a_series_that_is_not_there_says_where_those_are(server):
    for path in ("/series/nothing", "/series/00000000-0000-7000-8000-000000000000/report"):
        answer = server.client.get(path)
        assert answer.status_code == 404
        assert "No such series" in answer.text


# ---- all series


def test_the_list_finds_a_machine_and_goes_back_page_by_page(shop):
    mine = "Saw of the list"
    made = [shop.start(mine) for _ in range(26)]
    shop.start("Another machine")
    page = shop.page
    shop.open("/series")
    page.select_option("#machine", label=mine)
    page.click("text=Show")
    lines = page.locator(".line")
    expect(lines).to_have_count(25)
    expect(lines.first.locator("a")).to_have_attribute("href", f"/series/{made[-1]}")
    page.click("text=Earlier series")
    expect(lines).to_have_count(1)
    expect(lines.locator("a")).to_have_attribute("href", f"/series/{made[0]}")
    expect(page.locator("#machine option:checked")).to_have_text(mine)


def test_a_filter_that_finds_nothing_says_so(shop):
    shop.start()
    shop.open("/series?method=half-turn")
    expect(shop.page.locator("main")).to_contain_text("No series like that")
    shop.open("/series?machine=nobody")
    expect(shop.page.locator("main")).to_contain_text("Choose again")


def test_an_empty_shop_says_what_to_do_first(tmp_path, page):
    with serving(tmp_path / "empty") as empty:
        page.goto(f"{empty.url}/series")
        expect(page.locator("main")).to_contain_text("No series yet")
        expect(page.locator("main a")).to_have_attribute("href", "/")


# ---- on paper, and for everybody


def test_the_report_of_5_and_of_250_strips_is_one_page_and_nothing_is_cut(shop):
    tolerance = {"tolerance_gap": "0.1", "tolerance_joint": "150"}
    few = shop.start(note="new blade", person="Ines", **tolerance)
    shop.strips(40, 43, -41, 38, 42)
    shop.server.post(f"/api/series/{few}/finish")
    two = shop.start(method="roll", thickness="18", **tolerance)
    shop.strips(*(40, 43, 38, 42, 41) * 2)
    shop.server.post(f"/api/series/{two}/finish")
    many = shop.start(note="new blade", person="Ines", **tolerance)
    shop.strips(*(40 + 7 * number % 11 for number in range(249)), -45)
    shop.server.post(f"/api/series/{many}/finish")
    for series in (few, two, many):
        shop.open(f"/series/{series}/report")
        for paper in ("A4", "Letter"):
            pdf = shop.page.pdf(format=paper, print_background=True)
            assert len(re.findall(rb"/Type\s*/Page[^s]", pdf)) == 1, (series, paper)
    shop.page.emulate_media(media="print")
    expect(shop.page.locator(".values li")).to_have_count(250)
    expect(shop.page.locator(".values li").last).to_contain_text("?")
    too_wide = "all => all.filter((e) => e.scrollWidth > e.clientWidth).length"
    assert shop.page.locator(".values li").evaluate_all(too_wide) == 0
    expect(shop.page.locator(".paper")).to_contain_text("Every reading is on the page of this")


_FOLDED_LAID_OUT = """
  globalThis.laidOut = [];
  const { get } = Object.getOwnPropertyDescriptor(Element.prototype, "scrollWidth");
  Object.defineProperty(Element.prototype, "scrollWidth", { get() {
    if (this.closest("details:not([open])")) laidOut.push(this.className);
    return get.call(this);
  } });
"""


def test_a_series_of_250_strips_is_three_screens_and_its_folded_table_costs_nothing(shop):
    """Once opened the table is there whole, and a strip is reached by its address."""
    series = shop.start(tolerance_deg="0.1")
    shop.strips(*(40 + 7 * number % 11 for number in range(249)), 80)
    shop.server.post(f"/api/series/{series}/finish")
    page = shop.page
    page.add_init_script(_FOLDED_LAID_OUT)
    for width, height in ((390, 844), (1280, 800)):
        page.set_viewport_size({"width": width, "height": height})
        shop.open(f"/series/{series}")
        screens = page.evaluate("document.documentElement.scrollHeight") / height
        assert screens <= 3, (width, screens)
    page.wait_for_function("document.readyState == 'complete'")
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => setTimeout(done)))")
    assert page.evaluate("laidOut") == []
    # Nobody chose other units, so nothing is written anew.
    expect(page.locator("data[data-written]")).to_have_count(0)
    page.locator("#numbers-angle > summary").click()
    expect(page.locator("#numbers-angle tbody tr")).to_have_count(250)
    expect(page.locator("#numbers-angle tbody tr").last).to_contain_text("second look")
    page.locator("details:has(.cautions) > summary").click()
    expect(page.locator(".cautions")).to_contain_text("Unplug")
    shop.open(f"/series/{series}?from=226#trial-250")
    expect(page.locator("#trial-250")).to_be_in_viewport()


def test_the_report_holds_method_trials_budget_verdict_and_standards(shop):
    series = shop.start(tolerance_deg="0.1", note="new blade", strips=2)
    ids = shop.press("12.00", "12.40", "12.00", "12.43")
    shop.server.post("/api/benches/" + shop.bench + "/take-back", {"reading": ids[3]})
    shop.press("12.42")
    shop.server.post(f"/api/series/{series}/finish")
    shop.open(f"/series/{series}/report")
    paper = shop.page.locator(".paper")
    for words in (
        "Lay edge A on the fence",
        "200 mm",
        "12.42",
        "Expanded uncertainty, 95 %, coverage factor",
        "good enough",
        "ISO 14253-1",
        "JCGM 100:2008",
        "Keep the guards in place",
        f"caliper of {shop.bench}",
        "1 is kept but not counted",
        "new blade",
    ):
        expect(paper).to_contain_text(words)
    shop.page.emulate_media(media="print")
    expect(shop.page.locator("nav")).to_be_hidden()
    expect(shop.page.locator("#print")).to_be_hidden()


def test_nobody_is_shut_out(shop):
    series = shop.start(tolerance_deg="0.07")
    shop.strips(40, 41, -40, 39, 42)
    shop.press("12.00")
    shop.press("12.00", since_previous_ms=60)
    shop.page.emulate_media(color_scheme="dark")
    shop.page.set_viewport_size({"width": 390, "height": 844})
    shop.open(f"/series/{series}")
    no_serious_axe_findings(shop.page)
    assert shop.page.evaluate("document.documentElement.scrollWidth") <= 390
