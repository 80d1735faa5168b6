"""Which series can be set side by side, what they are called, and the values taken of them."""

from __future__ import annotations

import math
from uuid import UUID

import numpy as np
import pytest
from fastapi.testclient import TestClient

from api.answers.comparable import (
    MOST,
    all_comparable,
    between_first_two,
    comparable,
    names,
    notes,
    shared_quantities,
    systematic_of,
    values_of,
)
from api.errors import InvalidField, NotFound
from api.server import Server
from tests.api.answers.cutting import LENGTH_IN, cut, degrees, refused
from tests.api.answers.measuring import MONDAY, checked_on
from tests.api.bench import Person
from tests.api.conftest import ON_BOTH

FIRST, SECOND = (6, 10, 5, 11), (16, 17, 15, 14)
STOP = {"method": "stop-block", "baseline": None}
NOBODY = UUID("01939d3e-7c1a-7000-8000-000000000000")


@pytest.fixture
def person(client: TestClient) -> Person:
    return Person(client)


def _found(server: Server, *series: str):
    asked = [(name, UUID(each)) for name, each in zip("abcdefgh", series, strict=False)]
    with server.reading() as store:
        return all_comparable(store, asked)


# ------------------------------------------------------------ which


@pytest.mark.parametrize("method", ["half-turn", "stop-block", "blade-to-slot", "same-spot"])
def test_what_reveals_something_else_is_refused_with_a_sentence(person, method):
    a = cut(person, "Saw", FIRST)
    other = {"thickness": "0.75"} if method == "half-turn" else {}
    baseline = LENGTH_IN if method == "blade-to-slot" else None
    b = person.start("Other", method=method, unit="in", baseline=baseline, **other)
    detail = refused(person, f"/api/compare?a={a}&b={b}")
    assert detail.startswith("b: ")
    assert "choose series" in detail
    assert "more: " in refused(
        person, f"/api/compare?a={a}&b={cut(person, 'Third', FIRST)}&more={b}"
    )


def test_a_series_beside_itself_or_beside_none_is_refused(person):
    a = cut(person, "Saw", FIRST)
    nobody = "01939d3e-7c1a-7000-8000-000000000000"
    assert "same series as a" in refused(person, f"/api/compare?a={a}&b={a}")
    assert "no series with that id" in refused(person, f"/api/compare?a={a}&b={nobody}", 404)
    assert "b: must be a UUID" in refused(person, f"/api/compare?a={a}&b=saw")
    assert "b: is needed" in refused(person, f"/api/compare?a={a}")
    many = "".join(f"&more={nobody}" for _ in range(11))
    assert "give at most 12" in refused(person, f"/api/compare?a={a}&b={nobody}{many}")


def test_the_field_of_the_first_that_is_too_many_twice_or_unknown_is_named(person, server):
    one = UUID(cut(person, "Saw", FIRST))
    with server.reading() as store:
        assert all_comparable(store, []) == []
        with pytest.raises(InvalidField, match=f"^s{MOST}: {MOST + 2} series are too many"):
            all_comparable(store, [(f"s{n}", UUID(int=n)) for n in range(MOST + 2)])
        with pytest.raises(InvalidField, match=r"^b: is the same series as a"):
            all_comparable(store, [("a", one), ("b", one)])
        with pytest.raises(NotFound):
            all_comparable(store, [("a", one), ("b", NOBODY)])
        with pytest.raises(NotFound):
            comparable(store, NOBODY)


def test_what_all_of_them_show_is_shared(person, server):
    roll = {"method": "roll", "thickness": "0.75"}
    rolls = [cut(person, name, (), **roll) for name in ("One", "Two")]
    reversal = cut(person, "Three", ())
    assert shared_quantities(_found(server, *rolls)) == ("angle", "tilt")
    assert shared_quantities(_found(server, *rolls, reversal)) == ("angle",)
    assert shared_quantities(_found(server, reversal)) == ("angle",)


def test_the_hand_is_no_property_of_a_machine_even_alone(person, server):
    spot = person.start("Saw", method="same-spot", baseline=None)
    with pytest.raises(InvalidField, match=r"^a: Same spot shows .* no property of a machine"):
        _found(server, spot)


# ------------------------------------------------------------ in words


def test_two_series_of_one_machine_are_called_by_their_day(person):
    a, b = cut(person, "Saw", FIRST), cut(person, "Saw", SECOND)
    names = [s["name"] for s in person.get(f"/api/compare?a={a}&b={b}")["series"]]
    assert all(name.startswith("Saw on ") for name in names)
    assert names[0] != names[1]


@ON_BOTH
def test_names_are_told_apart_by_day_then_time_then_a_letter(person, server):
    noon, later = MONDAY, MONDAY.replace(hour=MONDAY.hour + 1)
    series = [
        checked_on(server, person, at, [], machine)
        for at, machine in ((noon, "Sled"), (noon, "Saw"), (later, "Saw"), (later, "Saw"))
    ]
    assert names(_found(server, series[0], series[1])) == ("Sled", "Saw")
    called = names(_found(server, *series))
    at = [f"6 January 2025 at {m.astimezone():%H:%M}" for m in (noon, later)]
    assert called == (
        "Sled",
        f"Saw on {at[0]}",
        f"Saw on {at[1]} (C)",
        f"Saw on {at[1]} (D)",
    )
    assert names([]) == ()


def test_a_note_stands_only_where_methods_differ(person, server):
    one, two = cut(person, "One", ()), cut(person, "Two", ())
    five = cut(person, "Three", (), method="roll", thickness="0.75")
    assert notes(_found(server, one, two)) == ()
    (said,) = notes(_found(server, one, five, two))
    assert said.count("Reversal shows") == said.count("Roll shows") == 1


# ------------------------------------------------------------ the values


def test_angles_are_in_radians_and_only_complete_trials_count(person, server):
    one, two = cut(person, "One", FIRST), cut(person, "Two", ())
    person.press("0.500", unit="in")
    found = values_of(_found(server, one, two), "angle")
    assert (found.unit, found.per, found.nominals_mm, found.errors) == ("rad", 1, (0, 0), True)
    assert found.values[0] == pytest.approx(np.radians(degrees(FIRST)), rel=1e-9)
    assert len(found.values[1]) == 0
    assert [len(trials) for trials in found.trials] == [4, 0]
    # Two readings, each rounded to a thou: sqrt(2) * 0.001 / sqrt(12) over 2 L.
    thou = math.sqrt(2) * 0.001 / math.sqrt(12) / (2 * LENGTH_IN)
    assert found.least_sd == pytest.approx(thou, rel=1e-3)


def test_lengths_are_in_the_first_ones_unit_and_errors_where_all_have_a_nominal_one(person, server):
    inch = person.start("One", **STOP, unit="in", tolerance_length="0.01", tolerance_nominal="12")
    person.press("12.010", "11.995", unit="in")
    metric = person.start("Two", **STOP, tolerance_length="0.2", tolerance_nominal="300")
    person.press("300.254")
    bare = person.start("Three", **STOP)
    person.press("254.00")
    both = values_of(_found(server, inch, metric), "length")
    assert (both.unit, both.per, both.errors) == ("in", 25.4, True)
    assert both.nominals_mm == (pytest.approx(304.8), 300)
    assert both.values[0] == pytest.approx([0.010, -0.005], abs=1e-12)
    assert both.values[1] == pytest.approx([0.010], abs=1e-12)
    plain = values_of(_found(server, bare, inch), "length")
    assert (plain.unit, plain.nominals_mm, plain.errors) == ("mm", (None, None), False)
    assert plain.values[0] == pytest.approx([254.0])
    assert plain.values[1] == pytest.approx([12.010 * 25.4, 11.995 * 25.4])


def test_half_a_tolerance_is_that_of_the_series_or_none(person, server):
    gap = {"tolerance_gap": "0.004", "tolerance_joint": "6"}
    given, none = _found(server, cut(person, "One", (), **gap), cut(person, "Two", ()))
    assert given.half_tolerance == pytest.approx(math.atan(0.004 / 6))
    assert none.half_tolerance is None


@ON_BOTH
def test_two_calipers_share_no_zero(person, server):
    one, same, other = (
        _stop(person, name, caliper)
        for name, caliper in (("One", "six-inch"), ("Two", "six-inch"), ("Three", "another"))
    )
    alike, unlike = _found(server, one, same), _found(server, one, other)
    assert [sorted(each.calipers) for each in unlike] == [["six-inch"], ["another"]]
    one, _ = systematic_of(alike, values_of(alike, "length"))
    # One caliper's zero and scale cancel between two equal lengths.
    shared = between_first_two(alike, values_of(alike, "length"))
    assert (shared.shared_u, shared.apart_u) == (pytest.approx(one.u), 0)
    apart = between_first_two(unlike, values_of(unlike, "length"))
    assert (apart.shared_u, apart.apart_u) == (0, pytest.approx(math.sqrt(2) * one.u))


def _stop(person: Person, machine: str, caliper: str) -> str:
    series = person.start(machine, **STOP)
    person.press("412.10", "412.12", "412.11", caliper=caliper)
    return series
