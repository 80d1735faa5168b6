"""Strips cut by saws that are compared."""

from __future__ import annotations

import numpy as np

LENGTH_IN = 8.026


def cut(person, machine, thou, **settings):
    """A series of strips whose open ends are so many thou wider."""
    series = person.start(machine, **({"baseline": str(LENGTH_IN), "unit": "in"} | settings))
    for deviation in thou:
        person.press("0.500", f"{0.5 + deviation / 1000:.3f}", unit="in")
    return series


def degrees(thou):
    return np.degrees(np.arctan(np.array(thou) / 1000 / (2 * LENGTH_IN)))


def refused(person, address, status=422):
    answer = person.client.get(address)
    assert answer.status_code == status, answer.text
    return answer.json()["detail"]
