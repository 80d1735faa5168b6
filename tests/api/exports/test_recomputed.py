"""Whoever has the package can compute every result again."""

from __future__ import annotations

import pytest

from analysis.methods import METHODS
from tests.api.bench import Person
from tests.api.exports.everything import OWN, measured
from tests.api.exports.pulled import body
from tests.api.exports.recomputed import results


def test_a_stranger_computes_every_result_again_from_the_package_alone(client, server):
    person = Person(client)
    measured(person, server)
    found = list(results(body(person, "/api/history.zip")))
    assert {trial["method"] for trial, _ in found} == {*METHODS, OWN["key"]}
    for trial, computed in found:
        for name in ("angle_deg", "tilt_deg", "length_mm", "deviation_mm"):
            given, again = trial[name], computed.get(name)
            assert (given == "") == (again is None), (name, trial)
            if given:
                # Lengths are exact to a nanometre.
                near = 1e-9 if name.endswith("_deg") else 0.5e-6
                assert float(given) == pytest.approx(again, rel=0, abs=near), (name, trial)
    angles = [abs(float(trial["angle_deg"])) for trial, _ in found if trial["angle_deg"]]
    assert len(angles) > 40
    assert min(angles) > 1e-6
    assert {trial["state"] for trial, _ in found} == {"complete", "left out"}
    assert any("ends-swapped" in trial["flags"] for trial, _ in found)
