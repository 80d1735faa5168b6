"""Studies of a caliper, as a person makes them."""

from __future__ import annotations

NAME = "six-inch"


def spot(bench, *sent: str, caliper: str = NAME, **settings) -> str:
    series = bench.start(method="same-spot", baseline=None, **settings)
    bench.press(*sent, caliper=caliper)
    return series


def block(bench, size: str, *sent: str, caliper: str = NAME, **settings) -> str:
    series = bench.start(method="known-block", baseline=size, **settings)
    bench.press(*sent, caliper=caliper)
    return series


def studies(person, name: str = NAME, query: str = "") -> dict:
    return person.get(f"/api/calipers/{name}/studies{query}")
