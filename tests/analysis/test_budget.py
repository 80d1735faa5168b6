"""All analyses use one budget: each gives the uncertainty that is on record."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from analysis.budget import trial_uncertainty
from analysis.methods import METHODS
from analysis.score import score
from fixtures import budgets

_ALIKE = 1e-12


@cache
def _kept() -> dict[str, Any]:
    found: dict[str, Any] = json.loads(budgets.FILE.read_text(encoding="utf-8"))
    return found


def _same(found: Any, kept: Any, where: str) -> None:
    """Numbers to 1e-12 of themselves, all else exactly."""
    if isinstance(kept, dict):
        assert list(found) == list(kept), where
        for key, value in kept.items():
            _same(found[key], value, f"{where} {key}")
    elif isinstance(kept, list):
        assert len(found) == len(kept), where
        for index, value in enumerate(kept):
            _same(found[index], value, f"{where} {index}")
    elif isinstance(kept, float) and found is not None:
        assert found == pytest.approx(kept, rel=_ALIKE, abs=0), where
    else:
        assert found == kept, where


@pytest.mark.parametrize("key", METHODS)
def test_a_series_and_its_trials_are_as_uncertain_as_they_were(key: str) -> None:
    for index, one in enumerate(_kept()["series"]):
        if one["given"]["method"] == key:
            _same(budgets.of_series(one["given"]), one["says"], f"series {index}")


def test_many_series_at_once_are_as_uncertain_as_they_were() -> None:
    _same(budgets.together([one["given"] for one in _kept()["series"]]), _kept()["together"], "")


def test_what_a_change_would_bring_is_forecast_as_it_was() -> None:
    _same(budgets.forecasts(), _kept()["forecasts"], "forecast")


def test_what_one_trial_is_planned_to_scatter_by_is_as_it_was() -> None:
    _same(budgets.planned(), _kept()["planned"], "plan")


def test_the_kept_series_hold_every_line_and_every_way_out() -> None:
    quantities = [q for one in _kept()["series"] for q in one["says"]["quantities"].values()]
    sources = Counter(line[0] for q in quantities for line in q["lines"])
    for source in (
        "caliper and hand, repeatability", "caliper and hand, repeatability (0.02 mm assumed)",
        "scatter over 8 trials", "caliper resolution", "caliper scale", "caliper zero",
        "length of the cut", "thickness", "inset", "width of the jaws", "stated size of the block",
        "straightness of edge and fence",
    ):  # fmt: skip
        assert sources[source] >= 3, source
    ways = Counter(q["remedy"][0] for q in quantities if q["remedy"])
    assert set(ways) == {"more cuts", "more readings", "wider board", "length", "none"}
    assert sum(None in q["trials"] for q in quantities) >= 10


@pytest.mark.parametrize("key", METHODS)
def test_one_trial_alone_is_as_uncertain_as_a_series_of_it(key: str) -> None:
    told = 0
    for one in _kept()["series"]:
        if one["given"]["method"] != key:
            continue
        facts = budgets.facts_of(one["given"])
        alone = replace(facts, widths_mm=np.asarray(facts.widths_mm)[:1], counted=None)
        for quantity, found in score(alone).quantities.items():
            if found.expanded_uncertainty is not None:
                (by_trial,) = trial_uncertainty(alone, quantity)
                assert by_trial == pytest.approx(found.expanded_uncertainty, rel=1e-9), quantity
                told += 1
    assert told >= 5
