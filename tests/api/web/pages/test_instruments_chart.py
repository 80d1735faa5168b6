"""The studies of a caliper as pictures: nothing of nothing, each size in its own shape."""

from __future__ import annotations

from datetime import UTC, datetime

from analysis.caliper_study import Component
from analysis.interval import Interval
from api.answers.caliper_studies import BlockError, BlockStudy, Estimate, SpotStudy
from api.web.pages.instruments.chart import block_chart, repeatability_chart, size_legend
from tests.api.web.pages.pictures import of_class, parsed, words

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


def component(sd: float | None, high: float = 0.05) -> Component | None:
    return None if sd is None else Component(sd, Interval(0.0, high))


def spots(repeat: float | None, people: float | None = None, high: float = 0.05) -> SpotStudy:
    return SpotStudy(
        series=(),
        started_at=NOON,
        people=(),
        spots=3,
        readings=6,
        repeatability=component(repeat, high),
        repeatability_degrees_of_freedom=None,
        reproducibility=component(people, high),
        gauge=None,
        parts=None,
        distinct_categories=None,
        tolerance_mm=None,
        tolerance_fraction=None,
        tolerance_fraction_interval=None,
        sentence="",
        laid_out="",
    )


def blocks(*errors: tuple[float, float, float | None]) -> BlockStudy:
    """A check of blocks, each given by its size, its error and that error's uncertainty."""
    return BlockStudy(
        series=(),
        started_at=NOON,
        blocks=tuple(BlockError((), size, None, 3, Estimate(e, None, u)) for size, e, u in errors),
        readings=3 * len(errors),
        offset=Estimate(0.0, None, None),
        scale=None,
        residual_sd_mm=None,
        sentence="",
    )


def test_without_a_study_that_knows_anything_there_is_no_picture():
    assert repeatability_chart([]) == ""
    assert repeatability_chart([spots(None)]) == ""
    assert block_chart([]) == ""
    assert size_legend([]) == []


def test_one_study_is_one_dot_and_people_have_their_own():
    assert len(of_class(repeatability_chart([spots(0.02)]), "mean")) == 1
    picture = repeatability_chart([spots(0.02, 0.01)])
    assert [m.tag.rpartition("}")[2] for m in of_class(picture, "mean")] == ["circle", "polygon"]


def test_a_study_that_knows_nothing_keeps_its_number():
    picture = repeatability_chart([spots(0.02), spots(None), spots(0.03)])
    assert len(of_class(picture, "mean")) == 2
    assert sorted(w for w in words(picture) if w.isdecimal()) == ["1", "2", "3"]


def test_a_very_wide_interval_presses_no_dot_flat():
    picture = repeatability_chart([spots(0.02, high=5.0)])
    (dot,) = of_class(picture, "mean")
    # Three times the estimate is the top: a third of the height of the picture is seen.
    assert 60 < float(dot.get("cy")[:-1]) < 70


def test_studies_without_any_scatter_can_be_drawn():
    picture = repeatability_chart([spots(0.0, high=0.0)])
    assert "nan" not in picture
    parsed(picture)


def test_each_size_of_a_block_has_one_shape_in_all_checks_and_in_the_legend():
    checks = [blocks((10.0, 0.01, 0.02), (50.0, 0.0, None)), blocks((50.0, -0.01, 0.02))]
    picture = block_chart(checks)
    shapes = [m.tag.rpartition("}")[2] for m in of_class(picture, "mean")]
    assert shapes == ["circle", "polygon", "polygon"]
    assert len(of_class(picture, "interval")) == 2
    legend = size_legend(checks)
    assert [size for _, size in legend] == [10.0, 50.0]
    assert "<circle" in legend[0][0]
    assert "<polygon" in legend[1][0]


def test_of_many_checks_few_enough_are_numbered():
    picture = block_chart([blocks((10.0, 0.01, None))] * 25)
    assert len([w for w in words(picture) if w.isdecimal()]) < 25
