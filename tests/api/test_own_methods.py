"""A method of the user's own, as a file and no code."""

from __future__ import annotations

import math
from uuid import UUID

import pytest

from analysis import methods
from api.answers import checks
from api.answers.methods import load_own_methods
from api.store.engine import StoreError
from tests.api.bench import Person

DOVETAIL = """
key = "sled-turn"
title = "Sled turn"
places = ["runner end", "far corner"]
quantity = "angle"
terms = [[3, 1]]
baseline = "length of the sled's fence"
sided = true
"""


@pytest.fixture
def own(shop, monkeypatch):
    known = dict(methods._known)
    monkeypatch.setattr(methods, "_known", known)
    monkeypatch.setattr(methods, "METHODS", known)
    folder = shop.settings.data / "methods"
    folder.mkdir()
    (folder / "sled.toml").write_text(DOVETAIL)
    return folder


@pytest.mark.usefixtures("own")
def test_a_method_described_in_a_file_is_measured_and_scored(shop, client):
    load_own_methods(shop.settings.data)
    load_own_methods(shop.settings.data)
    person = Person(client)
    series = person.start(method="sled-turn", baseline="300", strip_side="right")
    person.press("12.30", "12.60")
    trial = person.series(series)["trials"][0]
    assert trial["angle_deg"] == pytest.approx(-math.degrees(math.atan(0.3 / 900)))
    assert [r["place"] for r in trial["readings"]] == ["runner end", "far corner"]


@pytest.mark.usefixtures("own")
def test_what_a_method_of_ones_own_told_is_part_of_the_machines_history(shop, client):
    load_own_methods(shop.settings.data)
    person = Person(client)
    series = person.start(method="sled-turn", baseline="300", strip_side="right")
    person.press("12.30", "12.60", "12.31", "12.62")
    machine = UUID(person.series(series)["machine"]["id"])
    with shop.reading() as store:
        (told,) = checks.of_machine(store, machine)
        (latest,) = checks.latest(store)
    assert told.checks["angle"].trials == latest.checks["angle"].trials == 2
    score = person.series(series)["score"]["quantities"]["angle"]
    assert math.degrees(told.checks["angle"].mean) == pytest.approx(score["mean"])


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        (DOVETAIL.replace("[[3, 1]]", "[]"), "terms"),
        (DOVETAIL.replace("sled-turn", "reversal"), "built-in"),
        ("key = ", "sled.toml"),
        (DOVETAIL + 'colour = "red"', "colour"),
    ],
)
def test_a_file_that_cannot_be_right_is_named_with_its_field(shop, own, wrong, says):
    (own / "sled.toml").write_text(wrong)
    with pytest.raises(StoreError, match=says):
        load_own_methods(shop.settings.data)


def test_a_method_that_was_used_cannot_change_its_meaning(shop, own):
    load_own_methods(shop.settings.data)
    (own / "sled.toml").write_text(DOVETAIL.replace("[[3, 1]]", "[[4, 1]]"))
    with pytest.raises(StoreError, match="another method already"):
        load_own_methods(shop.settings.data)
