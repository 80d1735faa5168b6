"""Many series at once, as `checks` takes them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.checks import Checks, checks
from analysis.counts import widths_vary
from analysis.facts import SeriesFacts
from analysis.methods import Method, Quantity


def together(method: Method, quantity: Quantity, many: Sequence[SeriesFacts]) -> Checks:
    """`checks` fed with the trials' values, as a store keeps them. Widths: (n, places, repeats)."""
    values, of, repeats, visit = [], [], [], []
    for index, facts in enumerate(many):
        found = facts.values().of(quantity)
        values += found.tolist()
        of += [index] * len(found)
        visit += [1] * len(found) if facts.visit is None else list(facts.visit)
        repeats.append(facts.widths_mm.shape[2])
    bare = [replace(facts, widths_mm=np.empty(0)) for facts in many]
    vary = [widths_vary(f.widths_mm.reshape(len(f.widths_mm), -1), f.resolution_mm) for f in many]
    return checks(method, quantity, values, of, bare, repeats, vary, visit)
