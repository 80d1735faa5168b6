"""Verdicts by ISO 14253-1, probabilities by JCGM 106, and what it would take to know."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis import conformity, quantiles
from analysis.conformity import Tolerance, verdict
from analysis.remedy import UncertaintyParts, remedy
from tests.analysis.published import case, cases

WORDS = {
    "conforms": "good enough",
    "does not conform": "needs adjusting",
    "not decided": "cannot tell yet",
}


def test_the_zones_of_iso_14253_1_get_their_verdicts():
    # Source: ISO 14253-1 (1998, 2013 editions), rules for proving conformity and nonconformity:
    # conformity only inside the specification reduced by U at both limits; nonconformity only
    # outside the specification enlarged by U; between them neither is proven; read in third-party
    # public summaries (not the standard itself); zones worked out here.
    given = case("iso14253-1-zones")
    i = given.inputs
    band = Tolerance(i["lower"], i["upper"], "mm", "as published")
    found = [verdict(v, i["U"], band) for v in i["values"]]
    assert found == [WORDS[d] for d in given.expected["decision"]]


def test_the_table_of_jcgm_106_comes_out():
    # Source: JCGM 106:2012, 7.3 Table 1: (limit - estimate)/u for a conformance probability, one-
    # sided limit, normal; from memory, recomputed.
    given = case("jcgm106-table1-z")
    found = [quantiles.normal(p) for p in given.inputs["conformance_probability"]]
    assert given.near(found, "z")


def test_the_risk_of_accepting_wrongly_is_the_published_one():
    # Source: ILAC-G8:09/2019, guard band w against largest probability of false acceptance, U at
    # 95 % (k = 2); ILAC; read in a public copy.
    given = case("ilac-g8-risk")
    k = given.inputs["k"]
    # w is given in units of U = k u.
    # What lies on the acceptance limit, w inside a limit of zero.
    found = [
        1 - conformity.conformance_probability(-w * k, 1.0, -math.inf, 0.0)
        for w in given.inputs["w_over_U"]
    ]
    assert given.near(found, "largest_pfa")


def test_two_sided_conformance_probabilities_come_out():
    # Source: JCGM 106:2012, 7.4: conformance probability for a two-sided tolerance, normal:
    # Phi((TU - y)/u) - Phi((TL - y)/u); from memory, recomputed.
    given = case("two-sided-conformance")
    i = given.inputs
    found = [
        conformity.conformance_probability(y, i["u"], i["lower"], i["upper"]) for y in i["estimate"]
    ]
    assert given.near(found, "conformance_probability")
    assert conformity.conformance_probability(0.1, 0.0, -0.1, 0.1) == 1
    assert conformity.conformance_probability(0.2, 0.0, -0.1, 0.1) == 0


def test_no_case_of_the_topic_is_left_out():
    assert {c.id for c in cases("decision-rules")} == {
        "iso14253-1-zones",
        "jcgm106-table1-z",
        "ilac-g8-risk",
        "two-sided-conformance",
    }


def test_a_gap_over_a_joint_is_the_angle_that_opens_it():
    found = Tolerance.gap(0.2, 90.0)
    assert found.high == math.atan(0.2 / 90)
    assert found.low == -found.high
    assert 90 * math.tan(found.high) == pytest.approx(0.2, rel=1e-14)
    assert found.text == "a gap of 0.2 mm over a joint of 90 mm"


@pytest.mark.parametrize(
    ("call", "word"),
    [
        (lambda: Tolerance.angle(0.0), "tolerance: give an angle between 0 and 90 degrees"),
        (lambda: Tolerance.angle(math.nan), "tolerance: give an angle between 0 and 90 degrees"),
        (lambda: Tolerance.angle(2.0), "tolerance: give an angle between 0 and 90 degrees"),
        (lambda: Tolerance.gap(0.0, 90.0), "gap"),
        (lambda: Tolerance.gap(0.2, -1.0), "joint"),
        (lambda: Tolerance.gap(math.nan, 1.0), "gap"),
        (lambda: Tolerance.length(2.0, 1.0), "tolerance"),
        (lambda: Tolerance.length(math.nan, 1.0), "tolerance"),
    ],
)
def test_a_tolerance_that_cannot_be_is_refused_by_name(call, word):
    with pytest.raises(ValueError, match=word):
        call()


@given(st.floats(-1, 1), st.floats(0, 1), st.floats(1e-3, 1))
def test_a_verdict_is_the_same_for_either_lean_and_never_gets_surer_with_doubt(y, u, limit):
    band = Tolerance(-limit, limit, "rad", "")
    found = verdict(y, u, band)
    assert verdict(-y, u, band) == found
    if found == "cannot tell yet":
        assert verdict(y, u * 2, band) == found


def test_a_wrong_verdict_is_as_rare_as_it_should_be(rng):
    """True value on the limit: each wrong side is proved in at most 2.5 % of series."""
    n, runs = 5, 20_000
    band = Tolerance(-1.0, 1.0, "rad", "")
    x = rng.normal(1.0, 0.1, (runs, n))
    mean = x.mean(axis=1)
    half = quantiles.student_t(0.975, n - 1) * x.std(axis=1, ddof=1) / math.sqrt(n)
    found = [verdict(float(m), float(h), band) for m, h in zip(mean, half, strict=True)]
    most = 0.025 + 4 * math.sqrt(0.025 * 0.975 / runs)
    assert found.count("good enough") / runs < most
    assert found.count("needs adjusting") / runs < most


SOURCES = UncertaintyParts(
    trials=4,
    trial_sd=0.10,
    hand_u=0.02,
    hand_df=None,
    rounding_u=0.0,
    shrinking_u=0.001,
    fixed_u=0.001,
    base_mm=200.0,
)
BAND = Tolerance(-1.0, 1.0, "rad", "")


def least(parts, **change):
    """The nearest to the limit that is told after a change."""
    low, high = 0.0, 1e6
    for _ in range(100):
        middle = (low + high) / 2
        low, high = (low, middle) if parts.tells(middle, **change) else (middle, high)
    return high


def test_more_cuts_are_advised_where_the_saw_scatters_and_they_are_enough():
    found = remedy(0.9, BAND, SOURCES)
    assert found.kind == "more cuts"
    k = int(found.amount)
    assert least(SOURCES, more_cuts=k) <= 0.1 < least(SOURCES, more_cuts=k - 1)
    assert str(k) in found.sentence


def test_the_forecast_of_more_cuts_is_what_more_cuts_bring(rng):
    """Series of 4 + k cuts really made have, in the middle, the uncertainty forecast."""
    for k in (1, 6, 16):
        n = 4 + k
        sd = np.sqrt(np.mean(rng.normal(0, 0.10, (20_000, n)).var(axis=1, ddof=1)))
        real = quantiles.student_t(0.975, n - 1) * sd / math.sqrt(n)
        assert SOURCES.expanded(more_cuts=k) == pytest.approx(real, rel=0.02)


def test_reading_more_often_is_advised_where_the_hand_is_what_scatters():
    hand = UncertaintyParts(6, 0.05, 0.05, None, 0.0, 0.0, 0.0, 200.0, repeats=1)
    gap = least(hand) * 0.65
    found = remedy(1 - gap, BAND, hand)
    assert found.kind == "more readings"
    assert found.amount == 3
    assert found.sentence == "Reading each place 3 times should tell."
    twice = UncertaintyParts(
        6, 0.05, 0.05, None, 0.0, 0.0, 0.0, 200.0, repeats=2, hand_assumed=True
    )
    found = remedy(1 - gap, BAND, twice)
    assert found.amount == 6
    assert "as assumed" in found.sentence


def test_a_wider_board_is_advised_where_only_it_helps_and_is_wide_enough():
    length = UncertaintyParts(10, 0.001, 0.001, None, 0.05, 0.02, 0.0, 200.0, rounding_bound=0.1)
    gap = least(length) / 1.5
    found = remedy(1 - gap, BAND, length)
    assert found.kind == "wider board"
    assert found.amount % 5 == 0
    assert least(length, wider=found.amount / 200) <= gap
    assert least(length, wider=found.amount / 200 - 0.05) > gap
    assert "mm wide" in found.sentence
    # A blade-to-slot distance or a frame's joint cannot grow.
    stuck = UncertaintyParts(10, 0.001, 0.001, None, 0.05, 0.02, 0.0, None, rounding_bound=0.1)
    assert remedy(1 - gap, BAND, stuck).kind == "none"


def test_each_part_shrinks_with_what_makes_it_smaller_and_no_other():
    def only(**part):
        given = {"trial_sd": 1e-12, "hand_u": 0.0, "rounding_u": 0.0, "shrinking_u": 0.0}
        return UncertaintyParts(
            trials=4, hand_df=None, base_mm=200.0, fixed_u=0.0, **(given | part)
        )

    hand = only(trial_sd=0.1, hand_u=0.1)
    assert hand.expanded(wider=2) == pytest.approx(hand.expanded() / 2)
    assert hand.expanded(readings=4) == pytest.approx(hand.expanded() / 2)
    for part in (only(rounding_u=0.1), only(shrinking_u=0.1)):
        assert part.expanded(wider=2) == pytest.approx(part.expanded() / 2)
        assert part.expanded(readings=4, more_cuts=9) == pytest.approx(part.expanded())
    saw = only(trial_sd=0.1)
    assert saw.expanded(wider=2, readings=4) == pytest.approx(saw.expanded())


def test_nothing_is_promised_where_the_systematic_part_alone_is_too_much():
    found = remedy(0.999, BAND, UncertaintyParts(6, 0.01, 0.01, None, 0.0, 0.0, 0.05, 200.0))
    assert found.kind == "none"
    assert found.amount is None
    assert "More strips will not tell" in found.sentence
    assert "0.098" in found.sentence
    near = remedy(0.99999, BAND, UncertaintyParts(6, 0.01, 0.0, None, 0.0, 0.0, 0.0, 200.0))
    assert "too near the limit" in near.sentence


def test_a_single_trial_expects_to_learn_its_own_scatter():
    one = UncertaintyParts(1, None, 0.02, None, 0.0, 0.0, 0.0, 200.0)
    assert one.expanded(readings=4) == pytest.approx(one.expanded() / 2)
    assert one.expanded(more_cuts=1) > one.expanded()
