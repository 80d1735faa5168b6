"""Differences of means that are looked at after every trial."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from analysis import looked, sequential
from analysis.adjustment import adjusted
from analysis.returning import came_back
from analysis.spread import summary
from analysis.visits import units

_BEFORE, _AFTER = [9.0, 10.0, 11.0, 10.5], [4.0, 5.0, 6.0]


def test_each_mean_has_the_width_of_how_it_was_looked_at():
    a, b = summary(_BEFORE), summary(_AFTER)
    one = stats.t.ppf(0.975, 3) * a.sd / 2
    each = float(sequential.half_width(3, b.sd, 2))
    found = looked.half_width(a, b, (False, True))
    assert float(found) == pytest.approx(math.hypot(one, each), rel=1e-9)
    apart = looked.half_width(a, b, (False, True), apart_u=0.7)
    assert float(apart) == pytest.approx(math.hypot(one, each, 1.959964 * 0.7), rel=1e-6)
    # Rounding that is alike in all trials does not average out; few of them may be so by luck.
    alike = summary([5.0] * 8)
    floored = looked.half_width(a, alike, (False, False), floor_sd=0.3)
    assert float(floored) == pytest.approx(
        math.hypot(one, 1.959964 * 0.3, 1.959964 * 0.3 * (a.sd <= 0.9)), rel=1e-6
    )
    assert math.isinf(looked.half_width(a, summary([5.0, 5.1]), (False, True)))
    more = looked.half_width(a, b, (False, True), second_n=[3, 10], second_sd=b.sd)
    assert more[0] == pytest.approx(float(found))
    assert more[1] < more[0]


def test_one_or_two_strips_or_visits_after_an_adjustment_say_how_many_tell():
    visits = adjusted(_BEFORE, [5.0, 5.1], counted="visit", each_look=(False, True))
    few = "2 visits show too little of the scatter; make at least 3 after."
    assert few in visits.sentence
    visits = adjusted(_BEFORE[:1], _BEFORE, counted="visit", each_look=(False, True))
    assert visits.sentence.endswith(
        ": 1 visit shows no scatter; make at least 3 before the next change and after it."
    )
    back = came_back(_BEFORE[:2], [5.0], counted="visit", each_look=(False, True))
    assert back.sentence == (
        "Cannot tell yet: 1 visit shows no scatter; make at least 3 before the next swing and after"
        " it."
    )
    for after, few in (
        ([5.0], "1 part shows no scatter"),
        ([5.0, 5.1], "2 parts show too little of the scatter"),
    ):
        told = adjusted(_BEFORE, after, noun="part", each_look=(True, True))
        assert (told.answer, told.interval) == ("cannot tell", None)
        assert f"{few}; make at least 3 after." in told.sentence
        back = came_back(_BEFORE, after, margin=1.0, each_look=(True, True))
        assert (back.answer, back.p_within) == ("cannot tell", None)
        assert "make at least 3 after the swing." in back.sentence
    assert back.more_cuts is None or back.more_cuts >= 1


def test_what_would_tell_after_a_swing_does():
    before, after = [0.0, 1.0, -1.0, 0.5, -0.5], [0.4, -0.4, 0.2]
    told = came_back(before, after, margin=3.0, each_look=(True, True))
    assert told.answer == "cannot tell"
    assert told.way == "each look"
    assert told.more_cuts is not None
    more = told.more_cuts
    scaled = np.array(after + [0.4, -0.4] * 50)[: 3 + more]
    scaled = (scaled - scaled.mean()) / scaled.std(ddof=1) * np.std(after, ddof=1) + np.mean(after)
    assert came_back(before, scaled, margin=3.0, each_look=(True, True)).answer == "came back"
    fewer = scaled[: 2 + more]
    fewer = (fewer - fewer.mean()) / fewer.std(ddof=1) * np.std(after, ddof=1) + np.mean(after)
    assert came_back(before, fewer, margin=3.0, each_look=(True, True)).answer == "cannot tell"


def test_a_machine_that_nothing_changed_is_seldom_said_to_be_helped_however_often_one_looks():
    rng = np.random.default_rng(3)
    wrong = {True: 0, False: 0}
    for _ in range(80):
        before, after = rng.normal(10, 1, 5), rng.normal(10, 1, 12)
        for each in wrong:
            wrong[each] += any(
                adjusted(before, after[:n], each_look=(each, each)).answer != "cannot tell"
                for n in range(3, 13)
            )
    assert wrong[True] <= 2
    assert wrong[False] > 4  # as many as one look at a number that was set before would not tell


def test_a_stop_that_only_returns_otherwise_is_seldom_said_to_be_helped_at_any_look():
    rng = np.random.default_rng(5)
    visit = [np.repeat(np.arange(len(n)), n) for n in ((3, 3, 3), (1, 4, 1, 3))]
    wrong = {"visits": 0, "strips": 0}
    for _ in range(40):
        before, after = (
            10 + rng.normal(0, 3, of[-1] + 1)[of] + rng.normal(0, 1, of.size) for of in visit
        )
        told: dict[str, set[str]] = {"visits": set(), "strips": set()}
        for n in range(3, after.size + 1):
            of = units([before, after[:n]], [visit[0], visit[1][:n]])
            each = (True, True)
            told["visits"].add(adjusted(*of.values, counted=of.counted, each_look=each).answer)
            told["strips"].add(adjusted(before, after[:n], each_look=each).answer)
        for unit, answers in told.items():
            wrong[unit] += answers != {"cannot tell"}
    assert wrong["visits"] <= 1
    assert wrong["strips"] > 4  # each visit has its own error, which more strips do not show
