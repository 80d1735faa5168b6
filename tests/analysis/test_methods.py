"""The methods as data: complete, consistent, drawn as they are cut."""

from __future__ import annotations

import dataclasses
import re
from datetime import date

import numpy as np
import pytest

from analysis.methods import METHODS, Relation, Term, custom_method, method, steps_for

ALL = list(METHODS.values())
BLADE = [m for m in ALL if m.sided]


def test_the_methods_are_there():
    assert list(METHODS) == [
        "reversal", "half-turn", "roll", "five-cut", "blade-to-slot", "stop-block",
        "planed-thickness", "closing-miters", "known-block", "same-spot",
        "miter-pair", "reversed-square", "three-edges", "run-out", "rebate-depth",
    ]  # fmt: skip
    assert all(key == m.key for key, m in METHODS.items())


def test_an_unknown_method_is_refused_with_the_known_ones():
    with pytest.raises(ValueError, match="method: 'flip' is not known; use one of reversal, half"):
        method("flip")


@pytest.mark.parametrize("m", ALL, ids=lambda m: m.key)
def test_every_method_fits_together(m):
    assert m.title
    assert m.summary
    assert m.checks
    assert m.steps
    assert len({p.key for p in m.places}) == len(m.places)
    for r in m.relations:
        assert len(r.weights) == len(m.places)
        assert bool(r.terms) == (r.over is not None) == (r.quantity != "length")
        assert not r.terms or all(r.toward)
    assert m.reveals == tuple(r.quantity for r in m.relations)
    assert (m.baseline is not None) == any(r.over == "baseline" for r in m.relations)
    assert m.needs_thickness == any(r.over == "thickness" for r in m.relations)
    assert m.relation("angle") is None or "angle" in m.reveals
    with pytest.raises(dataclasses.FrozenInstanceError):
        m.key = "other"


@pytest.mark.parametrize("m", [m for m in ALL if m.swap], ids=lambda m: m.key)
def test_swapping_twice_is_swapping_nothing(m):
    assert [m.swap[m.swap[i]] for i in range(len(m.places))] == list(range(len(m.places)))
    for i, j in enumerate(m.swap):
        here, there = m.places[i], m.places[j]
        assert (here.along, here.up) != (there.along, there.up)


def test_closed_jaws_take_back_only_where_no_reading_can_be_that_small():
    off = {m.key for m in ALL if not m.closed_jaws}
    assert off == {
        "blade-to-slot", "closing-miters", "known-block", "same-spot",
        "miter-pair", "reversed-square", "three-edges", "run-out",
    }  # fmt: skip


def test_the_weights_of_a_roll_are_the_least_squares_plane():
    roll = method("roll")
    along, up = ([getattr(p, name) for p in roll.places] for name in ("along", "up"))
    design = np.column_stack([np.ones(4), along, up])
    solution = np.linalg.pinv(design)
    for row, quantity in ((1, "angle"), (2, "tilt")):
        assert np.allclose(solution[row], roll.relation(quantity).weights, atol=1e-15)


@pytest.mark.parametrize("m", ALL, ids=lambda m: m.key)
def test_sawing_comes_with_its_cautions(m):
    told = " ".join(m.cautions).lower()
    if any(s.action in ("cut", "cut again") for s in m.steps):
        for word in ("guard", "eye and hearing", "manual"):
            assert word in told
    if m.sided:
        for word in ("narrow strip", "trap", "stopped"):
            assert word in told
    if m.key in ("blade-to-slot", "run-out"):
        assert "unplug" in told
    # For everything cut on a saw; a planer has no arm.
    if any(s.action == "cut" for s in m.steps) and m.key != "planed-thickness":
        assert "radial arm" in told
    if m.cautions:
        assert "manual" in m.cautions[-1]


def test_a_method_of_ones_own_is_cut_with_the_same_cautions():
    own = custom_method({"key": "mine", "places": ["a"], "quantity": "length"})
    assert own.cautions == METHODS["reversal"].cautions == METHODS["stop-block"].cautions


def test_only_a_known_block_may_be_given_a_length_that_it_does_not_need():
    asked = {key: m.optional_baseline for key, m in METHODS.items() if m.optional_baseline}
    assert asked == {"known-block": "the block's stated size"}
    assert METHODS["known-block"].baseline is None


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("m", BLADE, ids=lambda m: m.key)
def test_steps_are_drawn_for_the_side_the_strip_falls_to(m, side):
    steps = steps_for(m, side)
    last = [s for s in steps if s.action == "cut again"]
    assert len(last) == 1
    assert last[0].strip_falls == side
    assert f"falls to the {side}" in last[0].text
    for s in steps:
        assert s.board_side != s.strip_falls
        for word in re.findall(r"\b(left|right) of the blade", s.text):
            assert word == s.board_side
    words = [s.text for s in steps_for(m, "left")]
    assert [s.text for s in steps_for(m, "right")] != words


def turned(key, side="left"):
    """Edge, face and board side at the first and at the last cut."""
    cuts = [s for s in steps_for(method(key), side) if s.action in ("cut", "cut again")]
    return cuts[0], cuts[-1]


def test_each_turn_is_the_one_that_its_relation_is_about():
    first, last = turned("reversal")
    assert first.edge_on_fence == last.edge_on_fence
    assert first.face_up != last.face_up
    assert first.board_side != last.board_side
    first, last = turned("half-turn")
    assert first.edge_on_fence != last.edge_on_fence
    assert first.face_up == last.face_up
    assert first.board_side != last.board_side
    first, last = turned("roll")
    assert first.edge_on_fence != last.edge_on_fence
    assert first.face_up != last.face_up
    assert first.board_side == last.board_side
    cuts = [s for s in method("five-cut").steps if s.action in ("cut", "cut again")]
    assert len(cuts) == 5
    # Each fresh edge is the next one's fence edge.
    assert [s.edge_on_fence for s in cuts[1:]] == [s.fresh_cut for s in cuts[:-1]]
    assert len({s.face_up for s in cuts}) == len({s.board_side for s in cuts}) == 1


def test_methods_without_a_side_have_one_drawing():
    assert steps_for(method("stop-block"), "right") == method("stop-block").steps
    with pytest.raises(ValueError, match="strip_side"):
        steps_for(method("reversal"), "top")


OWN = {
    "key": "drill-press",
    "title": "Drill press table",
    "places": ["front", "back"],
    "quantity": "angle",
    "baseline": "distance between the two spots",
    "terms": [[1, 1]],
    "closed_jaws": False,
    "repeats": 2,
}


def test_a_method_of_ones_own_is_data():
    own = custom_method(OWN)
    assert own.reveals == ("angle",)
    assert own.relations[0].terms == (Term(1, 1),)
    assert own.swap == (1, 0)
    assert own.default_repeats == 2
    assert not own.closed_jaws
    one = custom_method({"key": "gap", "places": ["gap"], "quantity": "length"})
    assert one.relations == (Relation("length", (1.0,)),)
    assert one.swap is None
    tilt = custom_method(
        {"key": "tilt-2", "places": ["low", "high"], "quantity": "tilt", "terms": [[2, 1]]}
    )
    assert tilt.needs_thickness
    assert tilt.baseline is None
    assert (tilt.places[0].up, tilt.places[1].up) == (0.0, 1.0)


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"key": "Drill Press"}, "key"),
        ({"key": "reversal"}, "key"),
        ({"key": None}, "key"),
        ({"key": ""}, "key"),
        ({"places": []}, "places"),
        ({"places": ["a", "b", "c"]}, "places"),
        ({"places": ["a", "a"]}, "places"),
        ({"places": "ab"}, "places"),
        ({"places": ["a", 3]}, "places"),
        ({"quantity": "area"}, "quantity"),
        ({"terms": []}, "terms"),
        ({"terms": None}, "terms"),
        ({"terms": [[1]]}, "terms"),
        ({"terms": [[0, 1]]}, "terms"),
        ({"terms": [[1, -1]]}, "terms"),
        ({"terms": [[1, float("nan")]]}, "terms"),
        ({"terms": [[1, float("inf")]]}, "terms"),
        ({"terms": [[10**400, 1]]}, "terms"),
        ({"terms": [[True, 1]]}, "terms"),
        ({"terms": [["1", 1]]}, "terms"),
        ({"baseline": ""}, "baseline"),
        ({"repeats": 0}, "repeats"),
        ({"repeats": True}, "repeats"),
        ({"sided": "yes"}, "sided"),
        ({"title": 3}, "title"),
        ({"colour": "red"}, "colour"),
        ({"quantity": "length"}, "terms"),
        ({"quantity": "tilt", "baseline": date(2024, 5, 3)}, "baseline"),
    ],
)
def test_a_method_that_cannot_be_is_refused_by_the_fields_name(change, field):
    with pytest.raises(ValueError, match=f"^{field}: "):
        custom_method(OWN | change)


def test_the_traps_are_told():
    told = {m.key: " ".join(m.traps) for m in ALL}
    assert "averages both halves" in told["reversal"]
    assert "reads zero whatever the error" in told["reversal"]
    assert "half that angle" in told["roll"]
    assert "same tooth" in told["blade-to-slot"]
    for key in ("reversal", "roll", "five-cut"):
        assert "tips of the jaws" in told[key]
