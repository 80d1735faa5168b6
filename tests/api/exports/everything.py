"""A store that holds a bit of everything that a package says."""

from __future__ import annotations

import random
from itertools import cycle

from analysis.methods import METHODS, custom_method
from analysis.units import parse_length
from api.server import Server
from api.store.new_series import NewSeries
from api.store.rows.machines import machines
from tests.api.bench import Person

OWN = {
    "key": "gauge-blocks",
    "places": ["near pin", "far pin"],
    "quantity": "angle",
    "baseline": "distance of the pins",
    "terms": [[1.5, 1], [1, 2]],
    "sided": True,
}


def measured(person: Person, server: Server) -> None:
    """Every method, with lengths, insets, jaws, repeats, pieces and sides of many kinds; series
    that were corrected; strips that were swapped, left out and taken back."""
    rng = random.Random(16)
    sides, jaws, repeats = cycle(["left", "right"]), cycle([None, "6", "30"]), cycle([1, 2, 3])
    work = person.post("/api/works", {"name": "Box", "unit": "mm", "tolerance_deg": "0.1"}, 201)
    for method in METHODS.values():
        for inset in ("0", "2.5"):
            many = next(repeats) if len(method.places) < 4 else 1
            inches = method.key == "five-cut"
            person.start(
                method=method.key,
                unit="in" if inches else "mm",
                baseline=None if not method.baseline else ("8 1/32" if inches else "203.5"),
                thickness="18.4" if method.needs_thickness else None,
                inset="0" if inches or not _insets(method.key) else inset,
                jaw_width=None if inches or not _insets(method.key) else next(jaws),
                strip_side=next(sides) if method.sided else None,
                repeats=many,
                pieces=6 if method.pieces and inset != "0" else None,
                tolerance_deg=None,
                work=work["id"] if method.key == "reversal" else None,
                note="=1+1" if method.key == "roll" else None,
                person="Ada",
            )
            _press(person, rng, 2 * many * len(method.places), inches)
    _at_stops(person, rng)
    _own(person, server, rng)
    _corrected(person, rng)


def _insets(key: str) -> bool:
    return any(relation.insets for relation in METHODS[key].relations)


def _press(person: Person, rng: random.Random, count: int, inches: bool = False) -> None:
    low, high, digits = (0.4, 0.5, 4) if inches else (12.0, 13.0, 2)
    unit = "in" if inches else "mm"
    person.press(*(f"{rng.uniform(low, high):.{digits}f}" for _ in range(count)), unit=unit)


def _at_stops(person: Person, rng: random.Random) -> None:
    machine = person.post("/api/machines", {"name": "Window saw", "kind": "other"}, 201)["id"]
    for name, nominal in (("a hair", "0.8"), ("5 left", "-5"), ("8 right", "8")):
        person.post("/api/stops", {"machine": machine, "name": name, "nominal_deg": nominal}, 201)
        for side in ("left", "right"):
            person.start(stop=name, strip_side=side, inset="3")
            _press(person, rng, 4)


def _own(person: Person, server: Server, rng: random.Random) -> None:
    with server.reading() as store:
        machine = machines(store)[0].id
    new = NewSeries(
        machine_id=machine,
        bench=person.bench,
        method=custom_method(OWN),
        unit="mm",
        baseline="150",
        baseline_nm=parse_length("150", "mm"),
        thickness=None,
        thickness_nm=None,
        inset="1",
        inset_nm=parse_length("1", "mm"),
        strip_side="right",
        repeats=2,
    )
    server.journal.start(new)
    _press(person, rng, 8)


def _corrected(person: Person, rng: random.Random) -> None:
    series = person.start("Sled", repeats=2)
    _press(person, rng, 16)
    said = {"baseline": "180", "inset": "4", "strip_side": "right", "who": "Ben"}
    assert person.client.patch(f"/api/series/{series}", json=said).status_code == 200
    trials = f"/api/series/{series}/trials"
    person.post(f"{trials}/2/swap-ends")
    person.post(f"{trials}/3/leave-out", {"reason": "a chip at the fence"})
    person.post("/api/benches/main/take-back")
    mistaken = person.start("Sled", unit="mm")
    person.press("0.475", "0.482", "0.481", "0.476")
    read = person.client.patch(f"/api/series/{mistaken}", json={"readings_unit": "in"})
    assert read.status_code == 200, read.text
    person.post(
        "/api/setup-changes",
        {"machine": person.series(series)["machine"]["id"], "kind": "adjusted", "note": "fence"},
        201,
    )
