"""What a machine's error does to the work, over HTTP."""

from __future__ import annotations

import math

import pytest

from tests.api.answers.measuring import (
    refused,
)
from tests.api.bench import Person


@pytest.fixture
def person(client):
    return Person(client)


def test_an_error_is_told_as_the_gaps_it_leaves(person):
    query = "angle_deg=0.06&u_deg=0.01&joint=150&width=400&height=700&pieces=4"
    found = person.get(f"/api/work?{query}")
    e, u = math.radians(0.06), math.radians(0.01)
    assert found["joint"]["mm"] == pytest.approx(150 * math.tan(e))
    assert found["joint"]["expanded_uncertainty_mm"] == pytest.approx(150 * u, rel=1e-5)
    assert found["side"]["mm"] == pytest.approx(700 * math.tan(e))
    # The law of cosines, for the corners of 90 degrees more and less the error.
    long, short = (
        math.sqrt(400**2 + 700**2 - 2 * 400 * 700 * math.cos(math.pi / 2 + way * e))
        for way in (1, -1)
    )
    assert found["case"]["mm"] == pytest.approx(long - short, rel=1e-8)
    assert found["frame"]["mm"] == pytest.approx(150 * math.tan(8 * e))
    for name in ("joint", "side", "case", "frame"):
        more = person.get(f"/api/work?{query.replace('0.06', '0.061')}")[name]["mm"]
        slope = (more - found[name]["mm"]) / math.radians(0.001)
        assert found[name]["expanded_uncertainty_mm"] == pytest.approx(slope * u, rel=1e-3)


def test_an_accepted_gap_allows_the_error_that_leaves_it(person):
    query = "joint=150&gap=0.2&width=400&height=700&pieces=4"
    allowed = {a["of"]: a["deg"] for a in person.get(f"/api/work?{query}")["allowed"]}
    assert allowed.keys() == {"joint", "case", "frame"}
    for name, deg in allowed.items():
        back = person.get(f"/api/work?angle_deg={deg!r}&{query}")
        assert back[name]["mm"] == pytest.approx(0.2, rel=1e-9)


def test_a_gap_is_kept_only_beyond_the_uncertainty(person):
    for angle, u, within in (
        ("-0.06", "0.005", True),
        ("-0.06", "0.03", None),
        ("-0.06", "0", True),
        ("-0.2", "0.03", False),
        ("0.09", "0.03", None),
    ):
        query = f"angle_deg={angle}&u_deg={u}&joint=150&gap=0.2"  # the gap allows 0.076 degrees
        (told,) = person.get(f"/api/work?{query}")["allowed"]
        assert told["within"] is within


def test_inches_are_answered_in_inches(person):
    # common practice, no source: 3.682 degrees is 1.033 in over twice 8.026 in
    found = person.get("/api/work?angle_deg=3.6820&joint=8.026&unit=in")
    assert found["joint"]["mm"] == pytest.approx((1.617 - 0.584) / 2 * 25.4, rel=1e-4)
    assert "8.026 in" in found["joint"]["sentence"]
    assert "516.5 thou" in found["joint"]["sentence"]


def test_what_makes_no_work_names_the_field(client):
    for query, field in (
        ("angle_deg=far", "angle_deg"),
        ("angle_deg=nan", "angle_deg"),
        ("angle_deg=45&joint=10", "angle_deg"),
        ("angle_deg=1&u_deg=-1&joint=10", "u_deg"),
        ("angle_deg=1&joint=0", "joint"),
        ("angle_deg=1&width=100", "height"),
        ("angle_deg=1&pieces=4", "joint"),
        ("angle_deg=1&pieces=2&joint=10", "pieces"),
        ("angle_deg=1&pieces=4.5&joint=10", "pieces"),
        ("angle_deg=20&pieces=4&joint=10", "pieces"),
        ("gap=0.1", "joint"),
        ("gap=900&width=400&height=300", "gap"),
        ("joint=10&unit=ft", "unit"),
    ):
        assert refused(client, f"/api/work?{query}")["field"] == field, query
