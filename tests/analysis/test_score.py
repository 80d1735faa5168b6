"""Scores and their uncertainty, for none, one, equal and unusual trials."""

from __future__ import annotations

import dataclasses
import math
import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.special import stdtrit

from analysis import spread, uncertainty
from analysis.budget import trial_uncertainty
from analysis.conformity import Tolerance
from analysis.facts import SeriesFacts
from analysis.geometry import series_values
from analysis.methods import METHODS, custom_method, method
from analysis.score import score
from analysis.sequential import EarlierScatter
from tests.analysis.many import together

IN = 25.4
L = 203.86
REVERSAL = method("reversal")


def strips(deviations, first=10.0):
    d = np.asarray(deviations, dtype=float)
    return np.stack([np.full(d.shape, first), first + d], axis=1)


def reversal(deviations, **facts):
    return SeriesFacts(
        REVERSAL, strips(deviations), baseline_mm=facts.pop("baseline_mm", L), **facts
    )


def angle_of(facts):
    return score(facts).quantities["angle"]


def numbers(record):
    """Every number in a result, however deep."""
    if dataclasses.is_dataclass(record):
        for f in dataclasses.fields(record):
            yield from numbers(getattr(record, f.name))
    elif isinstance(record, dict):
        for value in record.values():
            yield from numbers(value)
    elif isinstance(record, tuple):
        for value in record:
            yield from numbers(value)
    elif isinstance(record, float):
        yield record


def test_the_numbers_are_those_worked_out_by_hand():
    d = np.array([0.20, 0.24, 0.16, 0.22, 0.18])
    # No strip as wide as the one before, so that rounding averages out.
    widths = strips(d) + np.array([0.0, 0.7, 0.2, 1.1, 0.4])[:, None]
    facts = SeriesFacts(
        REVERSAL, widths, baseline_mm=L, tolerance=Tolerance.angle(math.radians(0.1))
    )
    found = angle_of(facts)
    e = np.arctan(d / (2 * L))
    assert found.trials == 5
    assert found.mean == pytest.approx(e.mean(), rel=1e-14)
    assert found.sd == pytest.approx(e.std(ddof=1), rel=1e-12)
    assert found.range == pytest.approx(e.max() - e.min(), rel=1e-12)
    scatter = e.std(ddof=1) / math.sqrt(5)
    x = 0.2 / (2 * L)
    slope = 1 / (1 + x * x)
    parts = {
        "scatter over 5 trials": scatter,
        "caliper scale": x * slope * 1e-4 / math.sqrt(3),
        "caliper zero": 0.0,
        "length of the cut": x * slope / L * 0.5 / math.sqrt(3),
        "inset": 2 * x * slope / L * 1.0 / math.sqrt(3),
        "width of the jaws": x * slope / L * 6.0 / 2 / math.sqrt(3),
    }
    assert {c.source: c.contribution for c in found.budget.contributions} == pytest.approx(
        parts, rel=1e-6
    )
    combined = math.sqrt(sum(u * u for u in parts.values()))
    df = combined**4 / (scatter**4 / 4)
    assert found.effective_degrees_of_freedom == pytest.approx(df, rel=1e-6)
    # Student's t for 4 degrees of freedom is 2.776 (JCGM 100, table G.2); scipy's for a few more.
    assert 2.7 < found.coverage_factor < 2.776
    assert found.coverage_factor == pytest.approx(stdtrit(df, 0.975), rel=1e-9)
    assert found.expanded_uncertainty == pytest.approx(found.coverage_factor * combined, rel=1e-6)
    assert found.mean_interval.low == pytest.approx(found.mean - found.expanded_uncertainty)
    # A reversal averages two cuts, so a single one scatters by the root of two more; what all
    # trials share is in the squares of the one and outside the other. Rounding hides its variance.
    sd = math.sqrt(found.sd**2 + (0.01 / math.sqrt(6) / (2 * L) * slope) ** 2)
    shared = math.hypot(*(u for name, u in parts.items() if not name.startswith("scatter")))
    assert found.prediction.half_width == pytest.approx(
        math.hypot(2.776445 * sd * math.sqrt(2 + 1 / 5), 1.959964 * shared), rel=1e-6
    )
    factor = spread.tolerance_factor(5, share=0.5)
    assert found.tolerance_interval.half_width == pytest.approx(
        factor * sd * math.sqrt(2) + 1.959964 * shared, rel=1e-6
    )
    # From ten means' worth of the mean and four degrees of freedom: below the factor of five.
    assert factor < 5.0769
    assert found.verdict == "good enough"
    assert found.conformance > 0.999
    assert found.direction.startswith("the open end of the cut leans to the right, seen from above")


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("key", ["reversal", "five-cut", "closing-miters"])
def test_each_sensitivity_is_the_change_that_is_really_seen(key, side):
    """Against small changes of the inputs themselves, sign and all."""
    m, step = method(key), 1e-4
    widths = np.array([[1.5]] if key == "closing-miters" else [[10.0, 13.0]])
    facts = SeriesFacts(m, widths, side, baseline_mm=L, inset_mm=3.0)

    def mean(**change):
        return angle_of(dataclasses.replace(facts, **change)).mean

    now = angle_of(facts)
    lines = {c.source: c for c in now.budget.contributions}
    up = np.zeros_like(widths)
    up[0, -1] = step
    expected = {
        "caliper resolution": (mean(widths_mm=widths + up) - now.mean) / step,
        "caliper scale": (mean(widths_mm=widths * (1 + step)) - now.mean) / step,
        "caliper zero": (mean(widths_mm=widths + step) - now.mean) / step,
        "length of the cut": (mean(baseline_mm=L + step) - now.mean) / step,
    }
    if m.relations[0].insets:
        expected["inset"] = (mean(inset_mm=3.0 + step) - now.mean) / step
    for source, change in expected.items():
        assert lines[source].sensitivity == pytest.approx(change, rel=2e-4, abs=1e-12), source


def test_one_trial_answers_with_the_uncertainty_of_measuring_alone():
    given = score(reversal([0.2]))
    found = given.quantities["angle"]
    assert (found.sd, found.range, found.sd_interval, found.prediction) == (None,) * 4
    assert found.tolerance_interval is None
    assert found.own_scatter is None
    # Geometry's rule for m = 1: sqrt(2) sqrt(sigma^2 + q^2 / 12) / (2 L)
    rule = math.sqrt(2) * math.hypot(0.02, 0.01 / math.sqrt(12)) / (2 * L)
    assert found.budget.combined == pytest.approx(rule, rel=0.01)
    assert found.coverage_factor == pytest.approx(1.96, abs=0.001)
    assert found.effective_degrees_of_freedom is None
    assert "own scatter" in given.notes[0]
    assert found.verdict is None
    assert "give a tolerance" in found.sentence


def test_the_calipers_figures_of_the_trade_come_out():
    """0.01 mm over 200 mm is 0.0006 degrees, 0.02 mm of hand 0.004 degrees."""
    count = next(
        c
        for c in angle_of(reversal([0.0], baseline_mm=200.0)).budget.contributions
        if c.source == "caliper resolution"
    )
    assert math.degrees(count.contribution) == pytest.approx(0.0006, abs=5e-5)
    hand = angle_of(reversal([0.0], baseline_mm=200.0)).budget.contributions[0]
    assert math.degrees(hand.contribution) == pytest.approx(0.004, abs=1e-4)


def test_no_trials_answer_in_words():
    for widths in ([], np.empty((0, 2, 1)), [[np.nan, 10.0]], [[[np.nan], [np.nan]]]):
        found = score(SeriesFacts(REVERSAL, widths, baseline_mm=L))
        assert found.trials == 0
        angle = found.quantities["angle"]
        assert angle.mean is angle.sd is angle.verdict is angle.budget is None
        assert angle.sentence == "No complete strip yet."


def test_equal_trials_claim_no_perfect_machine():
    given = score(reversal([0.2, 0.2, 0.2, 0.2]))
    found = given.quantities["angle"]
    assert found.sd == found.range == 0.0
    assert found.expanded_uncertainty > 1.9 * 0.01 / math.sqrt(6) / (2 * L)
    assert found.sd_interval is found.prediction is found.tolerance_interval is None
    assert found.own_scatter is None
    assert any("hides the scatter" in n for n in given.notes)


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"baseline_mm": 0.0}, "Baseline: 0 mm must be a length greater than zero."),
        ({"baseline_mm": math.nan}, "Baseline: nan mm must be a length greater than zero."),
        ({"inset_mm": 150.0}, "Inset: 150 mm at each end leaves nothing"),
        ({"baseline_mm": None}, "Give the baseline: length of the cut"),
    ],
)
def test_a_length_that_cannot_be_answers_in_words(facts, words):
    found = angle_of(reversal([0.1, 0.2], **facts))
    assert found.mean is None
    assert found.sentence.startswith(words)


@pytest.mark.parametrize(
    "name",
    [
        "resolution_mm",
        "repeatability_mm",
        "baseline_u_mm",
        "inset_u_mm",
        "scale_u",
        "zero_u_mm",
        "zero_at_mm",
    ],
)
@pytest.mark.parametrize("value", [-0.01, math.nan, math.inf])
def test_an_uncertainty_that_cannot_be_is_refused_by_name(name, value):
    with pytest.raises(ValueError, match=f"^{name}: "):
        reversal([0.1], **{name: value})


def test_degrees_of_freedom_are_above_zero():
    with pytest.raises(ValueError, match=r"^repeatability_df: "):
        reversal([0.1], repeatability_mm=0.01, repeatability_df=0)


def test_a_missing_thickness_costs_a_roll_only_its_tilt():
    found = score(SeriesFacts(method("roll"), [[10, 10, 11, 11.0]], baseline_mm=L))
    assert found.trials == 1
    assert found.quantities["angle"].mean is not None
    assert found.quantities["tilt"].sentence == (
        "Give the thickness between the 2 heights that were read."
    )


@pytest.mark.parametrize("key", sorted(METHODS))
def test_no_method_and_no_number_of_trials_gives_nan_or_a_warning(key, rng):
    m = METHODS[key]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for n in (0, 1, 2, 3, 12):
            for scale in (0.0, 0.001, 0.03):
                for repeats in (1, 3):
                    widths = 8 + np.round(rng.normal(0, scale, (n, len(m.places), repeats)), 2)
                    if n > 2:
                        widths[1, 0, :] = np.nan
                    if n > 3 and repeats > 1:
                        widths[2, 0, 0] = np.nan
                    facts = SeriesFacts(
                        m, widths, baseline_mm=100.0, thickness_mm=19.0,
                        tolerance=Tolerance.angle(0.001),
                    )  # fmt: skip
                    found = score(facts)
                    assert list(found.quantities) == list(m.reveals)
                    for q in found.quantities.values():
                        assert all(math.isfinite(v) for v in numbers(q))
                        assert q.sentence
                        assert "nan" not in q.sentence
                    per_trial = trial_uncertainty(facts)
                    assert per_trial.shape == (n,)


def test_trials_set_aside_do_not_count_and_that_is_said():
    with_it = score(reversal([0.2, 0.21, 5.0], counted=[True, True, False]))
    without = score(reversal([0.2, 0.21]))
    assert with_it.quantities["angle"].mean == without.quantities["angle"].mean
    assert with_it.trials == 2
    assert "1 strip set aside and not counted." in with_it.notes
    with pytest.raises(ValueError, match="counted"):
        score(reversal([0.2, 0.21], counted=[True]))


def one_cut(key, deviation):
    return score(
        SeriesFacts(
            method(key), [[12.0, 12.0 + deviation]], baseline_mm=200.0,
            tolerance=Tolerance.angle(0.004),
        )
    )  # fmt: skip


@pytest.mark.parametrize("key", ["reversal", "blade-to-slot"])
@pytest.mark.parametrize("deviation", [0.0, 1.55, 2.0])
def test_one_trial_proves_nothing(key, deviation):
    """It does not show how much the machine scatters: even one far outside may be a wild cut."""
    told = one_cut(key, deviation)
    found = told.quantities["angle"]
    assert found.verdict == "cannot tell yet"
    assert "at least 2 more" in found.sentence
    assert found.decides is found.conformance is None
    assert "shows nothing of the machine's own scatter" in told.notes[0]


EARLIER = EarlierScatter(1e-4, 12, 3, 15, "3 March 2026")


@pytest.mark.parametrize(
    ("deviation", "verdict"),
    [(1.0, "good enough"), (1.5, "cannot tell yet"), (2.0, "needs adjusting")],
)
def test_one_trial_tells_by_the_scatter_of_the_machines_earlier_series(deviation, verdict):
    facts = reversal([deviation], tolerance=Tolerance.angle(0.004), baseline_mm=200.0,
                     earlier={"angle": EARLIER}, baseline_u_mm=0, inset_u_mm=0)  # fmt: skip
    given = score(facts)
    found = given.quantities["angle"]
    assert found.verdict == verdict
    known = verdict != "cannot tell yet"
    assert (found.rule == "earlier series") == known
    said = "the scatter of 3 earlier series of this machine since 3 March 2026 (15 strips)"
    assert (said in found.sentence) == known
    # Nor does the note then say that nothing is known of the scatter.
    assert any("shows nothing of the machine's own scatter" in n for n in given.notes) != known
    assert "look" in found.statement


def test_a_series_that_scatters_more_than_the_earlier_ones_is_judged_by_itself():
    steady, wild = ([1.30, 1.31], [1.20, 1.41])
    for deviations, verdict in ((steady, "good enough"), (wild, "cannot tell yet")):
        facts = reversal(deviations, tolerance=Tolerance.angle(0.004), baseline_mm=200.0,
                         earlier={"angle": EARLIER}, baseline_u_mm=0, inset_u_mm=0)  # fmt: skip
        assert angle_of(facts).verdict == verdict


FEW = [0.10, 0.13, 0.08]


@pytest.mark.parametrize(
    ("planned", "ended", "rule", "verdict"),
    [
        (None, False, "each look", "cannot tell yet"),
        (None, True, "each look", "cannot tell yet"),
        (3, False, "not yet", "cannot tell yet"),
        (3, True, "one look", "good enough"),
        (2, True, "each look", "cannot tell yet"),
        (2, False, "each look", "cannot tell yet"),
        (4, True, "each look", "cannot tell yet"),
    ],
)
def test_only_the_end_of_exactly_the_planned_trials_has_the_full_strength(
    planned, ended, rule, verdict
):
    tolerance = Tolerance.angle(0.0005)
    given = reversal(FEW, tolerance=tolerance, planned=planned, ended=ended)
    found = angle_of(given)
    assert (found.rule, found.verdict) == (rule, verdict)
    assert found.expanded_uncertainty == angle_of(reversal(FEW)).expanded_uncertainty
    assert "look" in found.statement


def test_a_planned_series_shows_no_verdict_before_its_end_however_sure():
    sure = reversal([0.1, 0.1, 0.11, 0.1], tolerance=Tolerance.angle(0.1))
    assert angle_of(sure).verdict == "good enough"
    waits = angle_of(dataclasses.replace(sure, planned=6))
    assert waits.verdict == "cannot tell yet"
    assert "2 more to go" in waits.sentence
    # Ended before, it was looked at: the rule that allows for each look then counts.
    early = angle_of(dataclasses.replace(sure, planned=6, ended=True))
    assert (early.rule, early.verdict) == ("each look", "good enough")


def test_a_trial_set_aside_makes_the_number_not_the_planned_one():
    facts = reversal([*FEW, 5.0], tolerance=Tolerance.angle(0.0005), ended=True,
                     counted=[True, True, True, False])  # fmt: skip
    for planned in (3, 4):
        assert angle_of(dataclasses.replace(facts, planned=planned)).rule == "each look"


def test_a_width_without_end_counts_as_not_read():
    whole = angle_of(reversal([0.2, 0.24]))
    for widths in (
        [[10.0, 10.2], [math.inf, 10.0], [10.0, 10.24], [math.inf, math.inf]],
        [[[10.0, -math.inf], [10.2, 10.2]], [[10.0, 10.0], [10.24, math.inf]]],
    ):
        facts = SeriesFacts(REVERSAL, widths, baseline_mm=L)
        found = angle_of(facts)
        assert (found.trials, found.mean) == (2, pytest.approx(whole.mean))
        each = trial_uncertainty(facts)
        assert_allclose(np.isnan(each), np.isnan(series_values(REVERSAL, widths, L).angle_rad))


def test_what_a_study_found_is_normal_and_what_is_assumed_lies_anywhere_within_its_bound():
    lengths = SeriesFacts(method("stop-block"), [[150.0]])
    studied = dataclasses.replace(lengths, scale_u=1e-5, zero_u_mm=0.002)
    for facts, shape in ((lengths, "rectangular"), (studied, "normal")):
        budget = score(facts).quantities["length"].budget.contributions
        said = {c.source: c.distribution for c in budget}
        assert (said["caliper scale"], said["caliper zero"]) == (shape, shape)


def test_a_tolerance_in_another_unit_is_not_judged_by():
    planed = SeriesFacts(
        method("planed-thickness"), [[18.0, 18.01]] * 3, baseline_mm=200.0,
        tolerance=Tolerance.length(17.9, 18.1),
    )  # fmt: skip
    found = score(planed).quantities
    assert found["angle"].verdict is None
    assert found["length"].verdict == "good enough"


def test_a_verdict_that_cannot_be_given_comes_with_the_way_to_get_it():
    found = angle_of(reversal([0.20, 0.24, 0.16, 0.22, 0.18], tolerance=Tolerance.angle(0.00051)))
    assert found.verdict == "cannot tell yet"
    assert found.remedy is not None
    assert found.sentence.endswith(found.remedy.sentence)


@pytest.mark.parametrize(
    ("key", "name", "limit", "deviation"),
    [
        ("half-turn", "thickness", 0.0178, 0.66),
        ("blade-to-slot", "distance along the slot", 0.03501, 7.0),
        ("reversal", "length of the cut", 0.03504, 14.0),
    ],
)
def test_a_length_that_limits_is_to_be_measured_better(key, name, limit, deviation):
    facts = SeriesFacts(
        method(key), strips([deviation - 0.001, deviation, deviation + 0.001] * 3),
        baseline_mm=200.0, thickness_mm=19.0, repeatability_mm=0.001, resolution_mm=0.001,
        inset_u_mm=0, jaw_width_mm=0, scale_u=0, tolerance=Tolerance.angle(limit),
    )  # fmt: skip

    def after(bound):
        length_u = f"{facts.method.relations[0].over}_u_mm"
        known = dataclasses.replace(facts, **{length_u: bound / math.sqrt(3)})
        return next(iter(score(known).quantities.values())).verdict

    (found,) = score(facts).quantities.values()
    assert found.verdict == "cannot tell yet"
    assert found.remedy.kind == "length"
    assert f"Measuring the {name}" in found.sentence
    assert "saying so in the series" in found.sentence
    bound = found.remedy.amount
    assert 0.05 <= bound < 0.5
    assert after(bound) == "good enough"
    assert after(bound + 0.1) == "cannot tell yet"


def test_a_good_setting_with_wild_cuts_is_not_passed_over_in_silence():
    given = score(
        reversal([0.3, -0.3, 0.2, -0.2, 0.25, -0.25] * 4, tolerance=Tolerance.angle(0.0006))
    )
    assert given.quantities["angle"].verdict == "good enough"
    assert any("single cuts may scatter beyond" in n for n in given.notes)


def test_a_series_that_drifts_is_told():
    given = score(reversal(np.round(np.linspace(0, 0.4, 15), 2)))
    assert any("resembles the one before" in n for n in given.notes)


def test_same_spot_pools_the_scatter_within_spots(rng):
    spots = np.array([10.0, 11.0, 12.0])[:, None, None]
    widths = spots + rng.normal(0, 0.02, (3, 1, 6))
    found = score(SeriesFacts(method("same-spot"), widths)).quantities["length"]
    pooled = math.sqrt(np.mean(widths[:, 0].var(axis=1, ddof=1)))
    assert found.sd == pytest.approx(pooled, rel=1e-12)
    # 15 degrees of freedom, and the caliper's count of 0.01 mm.
    interval = spread.sd_interval(pooled, 16, rounding_u=uncertainty.rounding(0.01))
    assert found.sd_interval.high == pytest.approx(interval.high)
    assert "18 readings" in found.sentence
    single = score(SeriesFacts(method("same-spot"), widths[0].T[:, :, None])).quantities["length"]
    assert single.sd == pytest.approx(widths[0].std(ddof=1))


def test_a_known_block_tells_the_calipers_offset():
    facts = SeriesFacts(method("known-block"), [[25.03], [25.04], [25.03]], baseline_mm=25.0)
    found = score(facts).quantities["length"]
    assert "too long" in found.sentence
    assert found.verdict is None
    assert score(SeriesFacts(method("known-block"), [[25.03]])).quantities["length"].mean == 25.03


@pytest.mark.parametrize("key", ["known-block", "same-spot"])
def test_a_study_of_the_caliper_asks_for_no_tolerance(key):
    for n in (1, 3):
        for size in (None, 25.0):
            facts = SeriesFacts(method(key), [[25.03]] * n, baseline_mm=size)
            sentence = score(facts).quantities["length"].sentence
            assert "tolerance" not in sentence
            asked = key == "known-block" and size is None
            assert ("give the block's stated size" in sentence) == asked


def test_the_zero_offset_reaches_a_length_and_no_difference():
    length = score(SeriesFacts(method("stop-block"), [[150.0]])).quantities["length"]
    angle = angle_of(reversal([0.2]))
    zero = {
        q.unit: next(c for c in q.budget.contributions if c.source == "caliper zero")
        for q in (length, angle)
    }
    assert zero["rad"].contribution == 0
    assert zero["mm"].contribution == pytest.approx(0.02 / math.sqrt(3))
    studied = SeriesFacts(method("stop-block"), [[150.0]], zero_u_mm=0.001)
    assert score(studied).quantities["length"].expanded_uncertainty < length.expanded_uncertainty


def test_a_scale_found_between_blocks_costs_a_length_near_them_little():
    blocks = {"scale_u": 1e-3, "zero_u_mm": 0.001, "zero_at_mm": 150.0}
    near = score(SeriesFacts(method("stop-block"), [[151.0]], **blocks)).quantities["length"]
    scale = next(c for c in near.budget.contributions if c.source == "caliper scale")
    assert scale.contribution == pytest.approx(1e-3)
    # A difference depends only on the scale, whatever the size at which the zero is known.
    assert angle_of(reversal([0.2], **blocks)).expanded_uncertainty == (
        angle_of(reversal([0.2], scale_u=1e-3)).expanded_uncertainty
    )


@given(st.floats(-3, 3))
def test_a_caliper_that_reads_long_all_over_scores_the_same(offset):
    d = [0.21, 0.25, 0.17]
    one = angle_of(SeriesFacts(REVERSAL, strips(d), baseline_mm=L))
    two = angle_of(SeriesFacts(REVERSAL, strips(d, 10.0 + offset), baseline_mm=L))
    assert two.mean == pytest.approx(one.mean, rel=1e-11)
    assert two.expanded_uncertainty == pytest.approx(one.expanded_uncertainty, rel=1e-9)


@given(st.permutations([0.21, 0.25, 0.17, 0.3, 0.22]))
def test_the_order_of_trials_changes_no_number(order):
    one, two = angle_of(reversal(sorted(order))), angle_of(reversal(order))
    assert_allclose(list(numbers(one)), list(numbers(two)), rtol=1e-10)


@given(st.lists(st.floats(0.05, 0.5), min_size=1, max_size=8))
def test_the_strips_side_turns_the_sign_and_nothing_else(d):
    one = angle_of(reversal(d))
    two = angle_of(reversal(d, strip_side="right"))
    assert two.mean == -one.mean
    assert two.expanded_uncertainty == pytest.approx(one.expanded_uncertainty, rel=1e-12)
    assert "right" in one.direction
    assert "left" in two.direction


def test_a_straightness_bound_is_counted_when_given():
    plain, bound = angle_of(reversal([0.2])), angle_of(reversal([0.2], straightness_mm=0.1))
    extra = bound.budget.combined**2 - plain.budget.combined**2
    assert math.sqrt(extra) == pytest.approx(0.1 / math.sqrt(3) / (2 * L), rel=1e-4)


def test_the_saws_own_scatter_is_told_apart(rng):
    own, hand, runs, held = 2e-4, 0.02, 500, 0
    e = rng.normal(0, own, (runs, 10, 2)).mean(axis=2)
    d = 2 * L * np.tan(e) + rng.normal(0, hand * math.sqrt(2), e.shape)
    for row in d:
        found = angle_of(reversal(row, repeatability_mm=hand, repeatability_df=60))
        held += own in found.own_scatter.interval
    assert held / runs > 0.95 - 4 * math.sqrt(0.95 * 0.05 / runs)


@pytest.mark.parametrize("hand", [0.004, 0.008, 0.02])
def test_rounding_is_not_blamed_on_a_still_saw(hand, rng):
    """A count of a thou, and a study of thirty readings on one spot, which hardly scatter."""
    count, runs, blamed = 0.0254, 400, 0

    def shown(x):
        return np.round(x / count) * count

    for _ in range(runs):
        study = shown(rng.uniform(10, 11) + rng.normal(0, hand, 30)).std(ddof=1)
        ends = rng.uniform(10, 11, (10, 1)) + np.array([0, 0.2])
        found = angle_of(
            SeriesFacts(
                REVERSAL, shown(ends + rng.normal(0, hand, ends.shape)), baseline_mm=L,
                resolution_mm=count, repeatability_df=29,
                repeatability_mm=max(study, uncertainty.rounding(count)),
            )
        )  # fmt: skip
        blamed += found.own_scatter is not None and not found.own_scatter.hidden
    assert blamed / runs < 0.05


# Of thousands of series `checks` tells mean and interval; test_checks.py holds it to the scores.


def within(share, expected, n):
    return abs(share - expected) < 4 * math.sqrt(expected * (1 - expected) / n)


@pytest.mark.parametrize("n", [2, 3, 5, 10])
@pytest.mark.parametrize("key", ["reversal", "five-cut"])
def test_the_stated_interval_holds_the_true_angle_as_often_as_it_says(key, n, rng):
    """Saw and hand scatter, rounding, a length and an inset that are off, flat jaws of whose
    width nothing is said: 95 in 100."""
    m, runs = method(key), 3000
    relation = m.relations[0]
    from analysis.geometry import ratio

    true = rng.uniform(-0.02, 0.02, runs)
    e = true[:, None] + rng.normal(0, 2e-4, (runs, n))
    inset, jaws = rng.uniform(-1, 1, (runs, 1)), rng.uniform(0, 6, (runs, 1))
    base = L + rng.uniform(-0.5, 0.5, (runs, 1)) - inset - np.maximum(inset, jaws / 2)
    d = base * ratio(relation, e) * (1 + rng.uniform(-1e-4, 1e-4, (runs, 1)))
    ends = np.stack([np.zeros_like(d), d], axis=-1) + rng.uniform(10, 11, (runs, 1, 1))
    widths = np.round(ends + rng.normal(0, 0.02, ends.shape), 2)
    found = together(m, "angle", [SeriesFacts(m, w, baseline_mm=L) for w in widths[..., None]])
    held = int((abs(found.mean - true) <= found.expanded).sum())
    # Welch and Satterthwaite's k errs to the wide side where bounded inputs share in.
    share = held / runs
    assert share > 0.95 - 4 * math.sqrt(0.95 * 0.05 / runs)
    assert share < 0.99


@pytest.mark.parametrize("count", [0.01, 0.0127])
@pytest.mark.parametrize("hand", [0.005, 0.01, 0.02])
@pytest.mark.parametrize("n", [2, 3, 5])
def test_few_trials_on_a_still_saw_hold_the_true_angle_as_often_as_said(n, hand, count, rng):
    """Rounding can make few readings of a steady hand equal: that shows no smaller scatter."""
    runs = 600
    d = rng.uniform(0.1, 0.5, (runs, 1))
    ends = rng.uniform(10, 11, (runs, n, 1)) + np.stack([0 * d, d], axis=-1)
    widths = np.round((ends + rng.normal(0, hand, ends.shape)) / count) * count
    true = np.arctan(d[:, 0] / (2 * L))
    for known in (None, hand):
        found = together(
            REVERSAL,
            "angle",
            [
                SeriesFacts(
                    REVERSAL, w, baseline_mm=L, resolution_mm=count, repeatability_mm=known,
                    baseline_u_mm=0, inset_u_mm=0, scale_u=0,
                )
                for w in widths[..., None]
            ],
        )  # fmt: skip
        holds, still = abs(found.mean - true) <= found.expanded, found.sd < 1e-9
        held, alike, held_alike = (int(each.sum()) for each in (holds, still, holds & still))
        assert held / runs > 0.95 - 4 * math.sqrt(0.95 * 0.05 / runs)
        if alike:
            assert held_alike / alike > 0.95 - 4 * math.sqrt(0.95 * 0.05 / alike)


def test_a_second_trial_alike_the_first_makes_little_surer():
    one, alike, next_digit = (
        angle_of(reversal(d, baseline_mm=200.0)).expanded_uncertainty
        for d in ([0.18], [0.18, 0.18], [0.18, 0.19])
    )
    assert alike == pytest.approx(one / math.sqrt(2), rel=0.02)
    assert next_digit > alike
    # The repeatability from a study is a lower limit for any number of trials.
    many = reversal([0.18] * 50, repeatability_mm=0.02, repeatability_df=30)
    by_hand = angle_of(many).budget.contributions[0]
    assert by_hand.source == "caliper and hand, repeatability"
    assert by_hand.contribution == pytest.approx(0.02 / math.sqrt(50) * math.sqrt(2) / (2 * L))
    assert by_hand.degrees_of_freedom == 30


def test_the_way_to_a_verdict_reckons_with_the_same_floor():
    alike = reversal([0.30] * 3, tolerance=Tolerance.angle(0.0008), baseline_u_mm=0,
                     inset_u_mm=0)  # fmt: skip
    found = angle_of(alike)
    assert found.verdict == "cannot tell yet"
    assert found.remedy.kind == "more readings"

    def after(readings):
        widths = np.repeat(strips([0.30] * 3)[:, :, None], readings, axis=2)
        return angle_of(dataclasses.replace(alike, widths_mm=widths)).verdict

    enough = found.remedy.amount
    assert (after(enough - 1), after(enough)) == ("cannot tell yet", "good enough")


@pytest.mark.parametrize("repeats", [1, 4])
def test_one_trial_holds_the_true_angle_as_often_as_it_says(repeats, rng):
    runs, true = 4000, 0.001
    exact = np.array([10.0, 10.0 + 2 * L * math.tan(true)])[None, :, None]
    widths = exact + rng.uniform(0, 0.01, (runs, 1, 1))
    widths = np.round(widths + rng.normal(0, 0.02, (runs, 2, repeats)), 2)
    facts = SeriesFacts(REVERSAL, widths, baseline_mm=L, repeatability_mm=0.02)
    e = series_values(REVERSAL, widths, L).angle_rad
    held = float(np.mean(np.abs(e - true) <= trial_uncertainty(facts)))
    assert within(held, 0.95, runs)


def test_a_hand_steadier_than_the_calipers_count_still_holds(rng):
    """Equal wrong readings, trial after trial: rounding does not average out."""
    runs = 2000
    d = rng.uniform(0.1, 0.5, runs)
    first = rng.uniform(10, 10.01, runs)
    ends = np.stack([first, first + d], axis=1)[:, None, :]
    widths = np.round(ends + rng.normal(0, 0.001, (runs, 10, 2)), 2)
    facts = [SeriesFacts(REVERSAL, w, baseline_mm=L) for w in widths[..., None]]
    found = together(REVERSAL, "angle", facts)
    assert np.mean(abs(found.mean - np.arctan(d / (2 * L))) <= found.expanded) > 0.95


def test_the_uncertainty_of_single_trials_is_that_of_one_trial_scored():
    for key in sorted(METHODS):
        m = METHODS[key]
        first = 1.0 if key == "closing-miters" else 12.0
        widths = first + np.linspace(0, 0.7, len(m.places))[None, :]
        for extra in (
            {},
            {"repeatability_mm": 0.03, "repeatability_df": 7},
            {"repeatability_mm": 0.03, "repeatability_df": 2},
            {"scale_u": 0.001, "zero_u_mm": 0.01, "zero_at_mm": 40.0},
        ):
            facts = SeriesFacts(
                m, widths, baseline_mm=150.0, thickness_mm=20.0, inset_mm=4.0,
                straightness_mm=0.02, **extra,
            )  # fmt: skip
            for quantity in m.reveals:
                one = score(facts).quantities[quantity].expanded_uncertainty
                found = trial_uncertainty(facts, quantity)
                if m.judges == "machine":
                    assert_allclose(found, [one], rtol=2e-7)
    assert np.isnan(trial_uncertainty(SeriesFacts(method("stop-block"), [[1.0]]))).all()
    assert np.isnan(trial_uncertainty(SeriesFacts(method("half-turn"), [[1.0, 2.0]]))).all()
    assert np.isnan(trial_uncertainty(reversal([math.nan, 0.1]))[0])


def test_a_method_of_ones_own_is_scored_like_any_other():
    own = custom_method(
        {
            "key": "two-terms",
            "places": ["a", "b"],
            "quantity": "angle",
            "baseline": "length",
            "terms": [[1, 1], [1, 3]],
        }
    )
    mine = angle_of(SeriesFacts(own, strips([0.2, 0.3]), baseline_mm=L))
    five = angle_of(SeriesFacts(method("five-cut"), strips([0.2, 0.3]), baseline_mm=L))
    assert mine.mean == five.mean
    assert mine.expanded_uncertainty == five.expanded_uncertainty


def test_a_strip_in_inches_gives_the_trades_angle():
    # 0.475 and 0.482 in over 8.026 in give 0.025 degrees; common practice, no source.
    facts = SeriesFacts(
        REVERSAL, [[0.475 * IN, 0.482 * IN]], baseline_mm=8.026 * IN, resolution_mm=0.0005 * IN,
        unit="in",
    )  # fmt: skip
    found = angle_of(facts)
    assert round(math.degrees(found.mean), 3) == 0.025
    assert "thou per foot" in found.sentence


def test_defaults_are_what_the_words_say_they_are():
    hand = angle_of(reversal([0.2])).budget.contributions[0]
    assert hand.source == "caliper and hand, repeatability (0.02 mm assumed)"
    assert uncertainty.REPEATABILITY_MM == 0.02
