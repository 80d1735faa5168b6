"""Strips cut by saws that are compared."""

from __future__ import annotations

import numpy as np

LENGTH_IN = 8.026


def cut(person, machine, thou, **settings):
    """A finished series of as many strips as were planned, whose open ends are so many thou wider:
    what is said of it is by one look."""
    lengths = {"baseline": str(LENGTH_IN), "unit": "in"}
    series = person.start(machine, **({"strips": len(thou) or None} | lengths | settings))
    for deviation in thou:
        person.press("0.500", f"{0.5 + deviation / 1000:.3f}", unit="in")
    person.post(f"/api/series/{series}/finish")
    return series


def degrees(thou):
    return np.degrees(np.arctan(np.array(thou) / 1000 / (2 * LENGTH_IN)))


def refused(person, address, status=422):
    answer = person.client.get(address)
    assert answer.status_code == status, answer.text
    return answer.json()["detail"]
