"""The figures as a table, and what is said to have moved."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from benchmarks import table
from benchmarks.measuring import Measurement, Row, run

WHERE = {"processor": "a machine", "date": "2026-11-29"}


def found(*rows: Row) -> dict:
    return table.as_json(WHERE, "python -m benchmarks", rows)


def row(name: str, ratios: list[float]) -> Row:
    return Row(name, "ms", "bare", [10 * ratio for ratio in ratios], [10.0] * len(ratios))


def verdict(text: str) -> str:
    return text.strip().splitlines()[-1].rsplit("|", 2)[1].strip()


def test_program_and_baselines_take_turns_so_that_a_busy_moment_slows_both():
    said: list[str] = []

    def work(name: str, figure: float):
        return lambda: said.append(name) or [figure]

    measured = Measurement("work", "ms", work("ours", 6.0), {"bare": work("bare", 2.0)})
    [only] = run(measured, 3)
    assert said == ["ours", "bare"] * 3
    assert only.ratios == [3.0, 3.0, 3.0]


def test_each_baseline_and_the_slowest_ones_have_rows_of_their_own():
    takes = {"bare": lambda: [1.0], "minimal app": lambda: [2.0]}
    samples = [2.0] * 94 + [5.0] * 3 + [9.0] * 3
    rows = list(run(Measurement("work", "ms", lambda: samples, takes, tails=True), 1))
    assert [(r.name, r.beside) for r in rows] == [
        ("work", "bare"),
        ("work", "minimal app"),
        ("work, p95", "bare"),
        ("work, p95", "minimal app"),
        ("work, p99", "bare"),
        ("work, p99", "minimal app"),
    ]
    assert [r.ours for r in rows] == [[2.0], [2.0], [5.0], [5.0], [9.0], [9.0]]


def test_the_table_gives_figures_ratio_and_the_middle_half_of_the_rounds():
    text = table.markdown(found(row("work", [1.0, 2.0, 3.0, 4.0, 5.0])))
    assert text.splitlines()[0] == "`python -m benchmarks`; processor a machine, date 2026-11-29."
    assert text.splitlines()[-1] == "| work | 30.0 ms | bare | 10.0 ms | 3.00 | 2.00 to 4.00 |"


def test_a_work_without_a_baseline_is_shown_alone():
    text = table.markdown(found(Row("memory", "MB", "", [120.0], [])))
    assert text.splitlines()[-1] == "| memory | 120 MB | | | | |"


@pytest.mark.parametrize(("factor", "said"), [(1.5, "**worse**, +50%"), (0.5, "**better**, -50%")])
def test_what_moved_beyond_noise_is_named(factor: float, said: str):
    before = [2.0, 2.02, 2.04, 2.06, 2.08]
    now = [factor * ratio for ratio in before]
    assert verdict(table.compared(found(row("work", now)), found(row("work", before)))) == said


def test_another_machine_with_the_same_ratios_shows_no_change():
    ratios = [2.0, 2.1, 2.2, 2.3, 2.4]
    slower = Row("work", "ms", "bare", [90 * ratio for ratio in ratios], [90.0] * 5)
    text = table.compared(found(slower), found(row("work", ratios)))
    assert verdict(text) == "no change beyond noise"
    assert "| 22.0 ms | 198 ms | 2.20 | 2.20 |" in text


def test_noise_of_one_unchanged_program_is_seldom_called_a_change():
    chance = random.Random(8017)

    def rounds() -> list[float]:
        return [chance.lognormvariate(1.0, 0.3) for _ in range(5)]

    moved = [table.moved(rounds(), rounds()) != "no change beyond noise" for _ in range(500)]
    assert sum(moved) <= 12  # four are due


def test_a_change_too_small_to_tell_from_another_start_is_no_change():
    before, now = [2.0, 2.001, 2.002, 2.003, 2.004], [2.05, 2.051, 2.052, 2.053, 2.054]
    assert table.moved(before, now) == "no change beyond noise"


def test_from_too_few_rounds_nothing_is_concluded():
    assert table.moved([1.0, 1.0, 1.0], [9.0, 9.0, 9.0]) == "too few rounds to tell"


def test_a_work_that_was_not_measured_before_is_new():
    text = table.compared(found(row("new work", [1.0] * 5)), found(row("old work", [1.0] * 5)))
    assert verdict(text) == "new"


def test_only_what_is_between_the_marks_of_a_page_is_written_again(tmp_path: Path):
    page = tmp_path / "README.md"
    page.write_text(f"before\n\n{table._BEGIN}\nold figures\n{table._END}\n\nafter\n")
    table.put_into(page, "| new |\n")
    table.put_into(page, "| newer |\n")
    text = page.read_text()
    assert text == f"before\n\n{table._BEGIN}\n\n| newer |\n\n{table._END}\n\nafter\n"


def test_a_page_without_the_marks_stays_as_it_is(tmp_path: Path):
    page = tmp_path / "README.md"
    page.write_text("no marks\n")
    with pytest.raises(ValueError, match="has no place for the table"):
        table.put_into(page, "| new |\n")
    assert page.read_text() == "no marks\n"


def test_the_text_for_contributors_has_a_place_for_the_table():
    text = (Path(table.__file__).parents[1] / "DEVELOPERS.md").read_text()
    assert 0 < text.index(table._BEGIN) < text.index(table._END)
