from __future__ import annotations

import math

import numpy as np
import pytest

from analysis import quantiles
from analysis.caliper_study import crossed, known_block, same_spot, several_spots
from tests.analysis.chance import within_chance
from tests.analysis.published import case


def test_several_peoples_presses_agree_with_the_published_interlaboratory_example() -> None:
    # Source: ASTM E691, glucose in serum example, material A (8 laboratories, 3 results):
    # average, sr, sx-bar, sR; ASTM; from memory, recomputed.
    found = case("astm-e691-glucose-a")
    groups = found.inputs["groups"]
    study = same_spot(groups)
    assert study.repeatability is not None
    assert study.people is not None
    assert study.gauge is not None
    assert found.near(study.repeatability.sd, "repeatability_sd")
    # The case whose variance between people is negative: it is set to zero and marked hidden.
    assert found.near(study.people.sd, "between_sd")
    assert study.people.hidden
    assert found.near(study.gauge.sd, "reproducibility_sd")
    assert found.near(float(np.mean(groups)), "mean")
    # Mean square between people over the repeats: the square of the scatter of their means.
    assert found.near(math.sqrt(study.table[0].ms / 3), "sd_of_group_means")
    assert "differ by no more than that" in study.sentence


def test_days_of_the_voltage_standard_come_apart_as_published() -> None:
    # Source: JCGM 100:2008 (GUM), H.5 analysis of variance, Zener voltage standard, Table H.9 and
    # equations H.24 to H.31; read in a public copy.
    found = case("gum-h5-anova")
    v = found.inputs
    k = v["readings_per_day"]
    # Any k readings with each day's mean and standard deviation give the published table.
    shape = np.arange(k) - (k - 1) / 2
    shape = shape / shape.std(ddof=1)
    days = [m + s * shape for m, s in zip(v["daily_means"], v["daily_sds"], strict=True)]
    study = same_spot(days)
    assert study.repeatability is not None
    assert study.people is not None
    between, within = study.table
    assert found.near(float(np.mean(days)), "grand_mean")
    assert found.near(math.sqrt(between.ms / k), "sd_of_daily_means")
    assert found.near(math.sqrt(between.ms), "s_a")
    assert found.near(study.repeatability.sd, "s_b")
    assert found.near(between.f, "F")
    assert found.near(study.people.sd, "s_B")
    mean_u = math.sqrt(between.ms / k / v["days"])
    assert found.near(mean_u, "u_mean_between_days_counted")
    assert found.near(quantiles.f(0.95, between.df, within.df), "F_0.95_9_40")
    assert found.near(quantiles.f(0.975, between.df, within.df), "F_0.975_9_40")


def test_one_person_alone_shows_repeatability_with_its_exact_interval() -> None:
    x = [10.00, 10.01, 10.02, 10.00, 10.01]
    study = same_spot([x], tolerance=0.2)
    assert study.repeatability is not None
    s = float(np.std(x, ddof=1))
    assert study.repeatability.sd == pytest.approx(s, rel=1e-9)
    assert study.repeatability.interval.low == pytest.approx(
        s * math.sqrt(4 / quantiles.chi_square(0.975, 4)), rel=1e-9
    )
    assert study.people is None
    assert study.tolerance_fraction == pytest.approx(6 * s / 0.2)
    assert study.tolerance_fraction_interval is not None
    assert "of the tolerance" in study.sentence


def test_people_who_press_unequally_often_are_weighed_fairly() -> None:
    rng = np.random.default_rng(1)
    counts = [2, 3, 8, 12]
    estimates = []
    for _ in range(400):
        groups = [rng.normal(rng.normal(0, 0.5), 1, n) for n in counts]
        total = sum(counts)
        study = same_spot(groups)
        n0 = (total - sum(n * n for n in counts) / total) / 3
        between, within = study.table
        estimates.append((between.ms - within.ms) / n0)
    # Unbiased: E[(MSB - MSE) / n0] is the variance between people, 0.25.
    error = np.std(estimates) / math.sqrt(len(estimates))
    assert abs(np.mean(estimates) - 0.25) < 4 * error


def _cross(rng: np.random.Generator, p: int, o: int, r: int, sds: tuple[float, ...]) -> np.ndarray:
    part, person, both, error = sds
    return (
        rng.normal(0, part, (p, 1, 1))
        + rng.normal(0, person, (1, o, 1))
        + rng.normal(0, both, (p, o, 1))
        + rng.normal(0, error, (p, o, r))
    )


def test_the_crossed_table_is_that_of_a_fitted_linear_model() -> None:
    """Second way: sums of squares as differences of residuals of nested least-squares fits."""
    x = _cross(np.random.default_rng(2), 4, 3, 2, (1, 0.5, 0.2, 0.3))
    p, o, r = x.shape
    part, person, _ = (a.ravel() for a in np.indices(x.shape))

    def residual(*factors: np.ndarray) -> float:
        columns = [np.ones(x.size)]
        columns += [(f == level).astype(float) for f in factors for level in np.unique(f)]
        design = np.column_stack(columns)
        fit = np.linalg.lstsq(design, x.ravel(), rcond=None)[0]
        return float(((x.ravel() - design @ fit) ** 2).sum())

    cells = residual(part * o + person)
    lines = {line.source: line for line in crossed(x).table}
    assert lines["parts"].ss == pytest.approx(residual() - residual(part))
    assert lines["people"].ss == pytest.approx(residual() - residual(person))
    assert lines["parts by people"].ss == pytest.approx(residual(part, person) - cells)
    assert lines["repeats"].ss == pytest.approx(cells)
    assert [line.df for line in lines.values()] == [
        p - 1,
        o - 1,
        (p - 1) * (o - 1),
        p * o * (r - 1),
    ]
    assert lines["people"].f == pytest.approx(lines["people"].ms / lines["parts by people"].ms)


def test_each_source_of_scatter_comes_out_at_its_size() -> None:
    sds = (1.0, 0.3, 0.2, 0.1)
    x = _cross(np.random.default_rng(3), 200, 60, 4, sds)
    study = crossed(x)
    for found, true in zip(
        (study.parts, study.people, study.interaction, study.repeatability), sds, strict=True
    ):
        assert found is not None
        assert found.sd == pytest.approx(true, rel=0.25)
        assert true in found.interval
    assert study.reproducibility is not None
    assert study.gauge is not None
    assert study.reproducibility.sd == pytest.approx(math.hypot(0.3, 0.2), rel=0.2)
    assert study.distinct_categories == math.floor(
        math.sqrt(2) * study.parts.sd / study.gauge.sd  # type: ignore[union-attr]
    )


def test_intervals_of_the_parts_of_scatter_hold_as_often_as_they_say() -> None:
    rng = np.random.default_rng(4)
    sds = (1.0, 0.6, 0.3, 0.3)
    runs = 300
    held = {"people": 0, "parts": 0, "gauge": 0, "repeatability": 0}
    true = {
        "people": 0.6,
        "parts": 1.0,
        "gauge": math.sqrt(0.36 + 0.09 + 0.09),
        "repeatability": 0.3,
    }
    for _ in range(runs):
        study = crossed(_cross(rng, 6, 4, 2, sds))
        for name in held:
            held[name] += true[name] in getattr(study, name).interval
    assert within_chance(held["repeatability"], runs, 0.95)
    # Generalized intervals are close to their level, rather above it.
    for name in ("people", "parts", "gauge"):
        assert held[name] / runs > 0.95 - 4 * math.sqrt(0.95 * 0.05 / runs)


def test_a_part_of_scatter_is_never_negative() -> None:
    rng = np.random.default_rng(5)
    hidden = 0
    for _ in range(100):
        study = crossed(rng.normal(size=(4, 3, 2)))
        for part in (study.people, study.parts, study.interaction, study.reproducibility):
            assert part is not None
            assert part.sd >= 0
            assert part.interval.low >= 0
            assert part.hidden == (part.sd == 0)
            hidden += part.hidden
    assert hidden > 50


@pytest.mark.parametrize(
    ("people", "says"),
    [
        ([], "Nothing was read"),
        ([[], []], "Nothing was read"),
        ([[1.0]], "at least twice"),
        ([[1.0], [2.0]], "at least twice"),
        ([[1.0, math.nan]], "at least twice"),
        ([[0.1, 0.1, 0.1]], "reads the same"),
        ([[0.1, 0.1, 0.1], [0.3, 0.3, 0.3]], "reads the same"),
    ],
)
def test_presses_that_show_no_scatter_are_answered_in_words(
    people: list[list[float]], says: str
) -> None:
    study = same_spot(people, tolerance=0.1)
    assert says in study.sentence
    assert "nan" not in repr(study)


@pytest.mark.parametrize(
    ("readings", "says"),
    [
        (np.empty((0, 2, 2)), "Nothing was read"),
        (np.ones((1, 2, 2)), "at least 2 parts"),
        (np.ones((2, 2, 1)), "at least 2 parts"),
        (np.ones((3, 2, 2)), "reads the same"),
        (np.array([[[1, 2], [3, math.nan]], [[1, 2], [3, 4]]]), "part 1, person 2, repeat 2"),
    ],
)
def test_an_incomplete_study_says_what_is_missing(readings: np.ndarray, says: str) -> None:
    study = crossed(readings, tolerance=0.1)
    assert says in study.sentence
    assert "nan" not in repr(study)


def test_one_persons_spots_are_parts_and_no_people() -> None:
    spots = [[12.30, 12.32], [15.00, 15.02, 15.01], [18.0, math.nan, 18.02]]
    found, as_people = several_spots(spots, tolerance=0.5), same_spot(spots, tolerance=0.5)
    assert as_people.people is not None
    assert found.parts == as_people.people
    assert found.repeatability == found.gauge == as_people.repeatability
    assert found.people is found.reproducibility is found.interaction is None
    assert found.repeatability is not None
    assert found.parts is not None
    within = found.repeatability.sd
    assert found.distinct_categories == math.floor(math.sqrt(2) * found.parts.sd / within)
    assert found.tolerance_fraction == pytest.approx(6 * within / 0.5)
    assert [line.source for line in found.table] == ["parts", "repeats"]
    assert " That takes " in found.sentence
    assert "of these spots apart" in found.sentence
    assert "people" not in found.sentence.lower()
    assert "Together that takes" in as_people.sentence


@pytest.mark.parametrize(
    ("spots", "says"),
    [
        ([], "Nothing was read"),
        ([[1.0], [2.0]], "at least twice"),
        ([[1.0, 1.0], [2.0, 2.0]], "reads the same"),
        ([[1.0, 1.1]], "repeat to"),
    ],
)
def test_spots_that_tell_little_are_answered_in_words(spots: list[list[float]], says: str) -> None:
    found = several_spots(spots, tolerance=0.1)
    assert says in found.sentence
    assert found.people is found.distinct_categories is None
    assert "nan" not in repr(found)


def test_readings_of_another_shape_are_refused() -> None:
    with pytest.raises(ValueError, match="parts by people by repeats"):
        crossed([1, 2, 3])


def test_offset_and_scale_are_the_least_squares_line_with_the_blocks_share() -> None:
    """Second way: generalized least squares with the full covariance of the readings. With
    equal presses on each block it has the same estimates, and the same uncertainty."""
    rng = np.random.default_rng(6)
    stated = np.repeat([10.0, 25.0, 50.0, 100.0], 5)
    readings = stated * 1.0002 + 0.015 + rng.normal(0, 0.004, 20)
    found = known_block(stated, readings, block_u=0.003)
    assert found.scale is not None
    assert found.offset is not None
    design = np.column_stack([np.ones(20), stated])
    error = readings - stated
    plain = np.linalg.lstsq(design, error, rcond=None)[0]
    s2 = float(((error - design @ plain) ** 2).sum()) / 18
    cover = s2 * np.eye(20) + 0.003**2 * (stated[:, None] == stated[None, :])
    inverse = np.linalg.inv(cover)
    law = np.linalg.inv(design.T @ inverse @ design)
    fit = law @ design.T @ inverse @ error
    assert found.offset.estimate == pytest.approx(fit[0], rel=1e-6)
    assert found.scale.estimate == pytest.approx(fit[1], rel=1e-6)
    assert found.offset.standard_error == pytest.approx(math.sqrt(law[0, 0]), rel=1e-9)
    assert found.scale.standard_error == pytest.approx(math.sqrt(law[1, 1]), rel=1e-9)
    assert found.residual_sd == pytest.approx(math.sqrt(s2), rel=1e-9)


def test_the_error_at_the_mean_size_owes_nothing_to_the_scale() -> None:
    stated = np.repeat([10.0, 25.0, 100.0], 4)
    rng = np.random.default_rng(8)
    runs = [
        known_block(stated, stated * 1.0002 + 0.01 + rng.normal(0, 0.005, 12)) for _ in range(2000)
    ]
    scale = np.array([r.scale.estimate for r in runs if r.scale])
    offset = np.array([r.offset.estimate for r in runs if r.offset])
    middle = np.array([r.at_mean.estimate for r in runs if r.at_mean])
    assert runs[0].mean_size == pytest.approx(45)
    assert middle == pytest.approx(offset + 45 * scale, abs=1e-9)
    assert abs(np.corrcoef(middle, scale)[0, 1]) < 4 / math.sqrt(2000)
    assert np.corrcoef(offset, scale)[0, 1] < -0.5
    claimed = np.sqrt(np.mean([r.at_mean.standard_error**2 for r in runs if r.at_mean]))
    assert claimed == pytest.approx(middle.std(), rel=0.1)
    one = known_block([10] * 3, [10.01, 10.02, 10.03])
    assert one.at_mean == one.offset
    assert one.mean_size == 10


def test_offset_and_scale_hold_as_often_as_they_say() -> None:
    rng = np.random.default_rng(7)
    stated = np.repeat([10.0, 50.0, 100.0], 3)
    runs, offset, scale = 2000, 0, 0
    for _ in range(runs):
        block = np.repeat(rng.normal(0, 0.002, 3), 3)
        readings = (stated + block) * 1.0003 + 0.02 + rng.normal(0, 0.005, 9)
        found = known_block(stated, readings, block_u=0.002)
        assert found.offset is not None
        assert found.scale is not None
        assert found.offset.interval is not None
        assert found.scale.interval is not None
        offset += 0.02 in found.offset.interval
        scale += 0.0003 in found.scale.interval
    # Welch and Satterthwaite is approximate; part of the blocks' error also shows as scatter.
    assert abs(offset / runs - 0.95) < 0.025
    assert abs(scale / runs - 0.95) < 0.025


def test_one_block_gives_the_offset_and_leaves_the_scale_open() -> None:
    found = known_block([10] * 4, [10.02, 10.03, 10.02, 10.03], block_u=0.0002)
    assert found.offset is not None
    assert found.offset.estimate == pytest.approx(0.025)
    assert found.scale is None
    assert "high on this block" in found.sentence


def test_readings_all_alike_are_no_surer_than_the_calipers_step() -> None:
    found = known_block([10] * 9, [10.01] * 9, resolution=0.01)
    assert found.offset is not None
    assert found.offset.standard_error == pytest.approx(0.01 / math.sqrt(12))
    # Nor where they scatter by far less than the step.
    readings = 10.01 + 1e-4 * np.arange(9)
    found = known_block([10] * 9, readings, resolution=0.01)
    assert found.offset is not None
    scatter = float(readings.std(ddof=1)) / 3
    assert found.offset.standard_error == pytest.approx(math.hypot(0.01 / math.sqrt(12), scatter))


@pytest.mark.parametrize(
    ("stated", "readings", "says"),
    [
        ([], [], "No block"),
        ([10], [math.nan], "No block"),
        ([10], [10.01], "more readings"),
        ([10, 20], [10.01, 20.01], "more readings"),
        ([10] * 3, [10.01] * 3, "more readings"),
    ],
)
def test_a_block_read_too_seldom_is_answered_in_words(
    stated: list[float], readings: list[float], says: str
) -> None:
    found = known_block(stated, readings)
    assert says in found.sentence
    assert "nan" not in repr(found)


def test_each_reading_needs_its_blocks_size() -> None:
    with pytest.raises(ValueError, match="one stated size for each"):
        known_block([10], [10, 10])
