"""A method of the user's own, as a file without code."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import closing, contextmanager
from io import BytesIO
from pathlib import Path
from zipfile import ZipFile

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from api.server import Server
from api.settings import Settings
from api.store.engine import StoreError
from api.web.app import build
from tests.api.bench import Person
from tests.api.conftest import ON_BOTH, local_client

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
def folder(tmp_path: Path) -> Path:
    """A data folder in which a method is described."""
    (tmp_path / "methods").mkdir()
    (tmp_path / "methods" / "sled.toml").write_text(DOVETAIL)
    return tmp_path


@contextmanager
def server(data: Path, store_url: str) -> Iterator[TestClient]:
    """A client of a server with that data folder."""
    server = Server(Settings(data=data, db=store_url))
    with closing(server), local_client(build(server)) as client:
        yield client


@pytest.fixture
def person(application: FastAPI, folder: Path, store_url: str) -> Iterator[Person]:
    application.state.server = Server(Settings(data=folder, db=store_url))
    with closing(application.state.server), local_client(application) as client:
        yield Person(client)


def test_a_method_described_in_a_file_is_measured_and_scored(person):
    series = person.start(method="sled-turn", baseline="300", strip_side="right")
    person.press("12.30", "12.60")
    trial = person.series(series)["trials"][0]
    assert trial["angle_deg"] == pytest.approx(-math.degrees(math.atan(0.3 / 900)))
    assert [r["place"] for r in trial["readings"]] == ["runner end", "far corner"]


def test_what_a_method_of_ones_own_told_is_part_of_the_machines_history(person):
    series = person.start(method="sled-turn", baseline="300", strip_side="right")
    person.press("12.30", "12.60", "12.31", "12.62")
    found = person.series(series)
    (line,) = person.get(f"/api/machines/{found['machine']['id']}/history")["drift"].values()
    assert line["series"] == [series]
    assert line["values"] == pytest.approx([found["score"]["quantities"]["angle"]["mean"]])


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        (DOVETAIL.replace("[[3, 1]]", "[]"), "terms"),
        (DOVETAIL.replace("sled-turn", "reversal"), "built-in"),
        ("key = ", "sled.toml"),
        (DOVETAIL + 'colour = "red"', "colour"),
    ],
)
def test_a_file_that_cannot_be_right_is_named_with_its_field(folder, store_url, wrong, says):
    (folder / "methods" / "sled.toml").write_text(wrong)
    with pytest.raises(StoreError, match=says):
        Server(Settings(data=folder, db=store_url))


@ON_BOTH
def test_a_method_that_was_used_cannot_change_its_meaning(folder, store_url, person):
    person.start(method="sled-turn", baseline="300", strip_side="right")
    (folder / "methods" / "sled.toml").write_text(DOVETAIL.replace("[[3, 1]]", "[[4, 1]]"))
    with pytest.raises(StoreError, match="another method already"):
        Server(Settings(data=folder, db=store_url))


@ON_BOTH
def test_every_page_and_export_knows_what_was_measured_after_its_file_is_gone(
    store_url, person, tmp_path_factory
):
    """And one server does not know what was measured at another of the same store."""
    other = tmp_path_factory.mktemp("other")
    with server(other, store_url) as client:
        series = person.start(method="sled-turn", baseline="300", strip_side="right")
        person.press("12.30", "12.60", "12.31", "12.62")
        assert "sled-turn" not in {m["key"] for m in client.get("/api/methods").json()}
        machine = person.series(series)["machine"]["id"]
        pages = ("/", "/series", f"/series/{series}", "/machines", f"/machine/{machine}")
        for page in (*pages, "/compare", f"/machine/{machine}/card", f"/series/{series}/report"):
            answer = client.get(page, headers={"Accept": "text/html"})
            assert answer.status_code == 200, (page, answer.text[:300])
        for page in ("/", f"/series/{series}", f"/machine/{machine}"):
            assert "Sled turn" in client.get(page).text, page
        assert "sled-turn" in client.get("/series").text
        assert client.get(f"/api/series/{series}").json()["trials"][0]["state"] == "complete"
        assert "Read runner end" in client.get("/guide/sled-turn?side=right").text
        with ZipFile(BytesIO(client.get("/api/history.zip").content)) as package:
            assert b"far corner" in package.read("trial_readings.csv")
    with server(other, store_url) as client:
        assert "sled-turn" in {m["key"] for m in client.get("/api/methods").json()}


@ON_BOTH
def test_an_old_notebook_may_name_the_places_of_a_method_of_ones_own(person):
    sheet = (
        "date,machine,method,cut length,unit,strip side,runner end,far corner\n"
        "2025-03-04,Birch sled,sled turn,300,mm,left,12.30,12.60\n"
    )
    answer = person.client.post("/api/load", content=sheet, headers={"Content-Type": "text/csv"})
    assert answer.json()["refused"] == []
    (series,) = answer.json()["series"]
    (trial,) = person.series(series)["trials"]
    assert [(r["place"], r["sent"]) for r in trial["readings"]] == [
        ("runner end", "12.30"),
        ("far corner", "12.60"),
    ]


@ON_BOTH
def test_an_own_method_is_compared_and_narrowed_to_like_any_other(person):
    own = person.start(method="sled-turn", baseline="300", strip_side="right")
    person.press("12.30", "12.60", "12.31", "12.62")
    reversal = person.start()
    person.press("12.30", "12.40", "12.31", "12.45")
    for question in ("compare?a={}&b={}", "compare/return?before={}&after={}"):
        notes = person.get("/api/" + question.format(own, reversal))["notes"]
        assert any("Sled turn shows the angle of the cut" in note for note in notes), question
    rows = person.client.get("/api/trials.csv?method=sled-turn").text.splitlines()
    assert len(rows) == 3
    assert len(person.get("/api/series?method=sled-turn")["series"]) == 1
    refused = person.client.get("/api/trials.csv?method=sled")
    assert refused.status_code == 422
    assert refused.json()["detail"].startswith("method: there is no method 'sled'; use one of")
