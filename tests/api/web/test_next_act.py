"""After a series: one act by its verdict, the same once more, and whether a change helped."""

from __future__ import annotations

import json
import re
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from api.store.rows.events import latest_events
from api.web.live_messages import messages
from tests.api.answers.measuring import checked_on, measured, reversals
from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE


@pytest.fixture
def person(client):
    return Person(client)


@pytest.fixture
def rng():
    return np.random.default_rng(7)


def next_of(person: Person, series: str) -> Any:
    return person.get(f"/api/series/{series}/next")


def history_of(person: Person) -> Any:
    return person.get("/api/machines/Window saw/history")


def changes(person: Person) -> list[str]:
    return [change["kind"] for change in history_of(person)["setup_changes"]]


def test_out_adjusted_and_better_is_told_without_being_asked(person, server, client, rng):
    first = person.start(work="case work", strips=5, note="before adjusting")
    for row in reversals(0.3, 0.01, 5, rng):
        person.press(*row)
    assert next_of(person, first)["act"] == "go on"
    assert next_of(person, first)["instruction"].startswith("5 of 5 strips made: finish")
    person.post(f"/api/series/{first}/finish")
    said = next_of(person, first)
    assert (said["verdict"], said["act"]) == ("needs adjusting", "adjust")
    assert said["work"] == "case work"
    assert said["sentence"].endswith("from 5 strips: needs adjusting for case work.")
    (move,) = said["advice"]["advice"]
    assert move["sentence"].startswith(f"{said['instruction']} Then cut again: expect ")
    what = said["instruction"]
    assert move["blade_turn_deg"] == pytest.approx(0.3, abs=0.01)
    assert said["advice"]["cautions"][0] == "Unplug the machine before you adjust it."
    assert (said["works"][0]["name"], said["works"][0]["own"]) == ("case work", True)
    for link in said["links"].values():
        assert client.get(link).status_code == 200, link
    # "I did it": the change with the move, and the same series once more, in one request.
    again = person.post(f"/api/series/{first}/again", {"changed": "adjusted"}, 201)
    same = ("machine", "stop", "method", "bench", "baseline", "unit", "work", "tolerance")
    before = person.series(first)
    assert [again[name] for name in same] == [before[name] for name in same]
    assert (again["note"], again["finished_at"]) == (None, None)
    # As many as tell by how the five scattered, not as many as were cut before that was known.
    assert again["strips"] == 3
    (change,) = history_of(person)["setup_changes"]
    assert change["note"] == f"As proposed: {what}"
    # A second tap does it no second time.
    twice = person.post(f"/api/series/{first}/again", {"changed": "adjusted"}, 201)
    assert (twice["id"], changes(person)) == (again["id"], ["adjusted"])
    assert twice["setup_change"] == again["setup_change"] == change["id"]
    # What was said too early is taken back, and the bench shows what it found before.
    client.patch(f"/api/setup-changes/{change['id']}", json={"withdrawn": True})
    person.post(f"/api/series/{again['id']}/finish")
    assert person.get("/api/benches/main")["ended"]["id"] == first
    assert next_of(person, first)["act"] == "adjust"
    again = person.post(f"/api/series/{first}/again", {"changed": "adjusted"}, 201)
    assert changes(person) == ["adjusted"]
    assert person.get("/api/benches/main")["since_change"] == []
    # From the first strip on the bench says how it stands, and whether it helped once it can.
    for made, row in enumerate(reversals(0.02, 0.01, 5, rng), start=1):
        person.press(*row)
        (told,) = person.get("/api/benches/main")["since_change"]
        assert (told["question"], told["before"], told["after"]) == (
            "did it help",
            first,
            again["id"],
        )
        assert told["counted"] == "trial"
        assert told["answer"] == ("helped" if made > 2 else "cannot tell"), made
        assert told["moved"] == pytest.approx(-0.28, abs=0.01)
        assert "from nominal before" in told["sentence"]
        # A page shows the answer in bold: the first part is all of it, and nothing else.
        led = "It helped" if made > 2 else "Cannot tell whether it helped"
        texts = [part["text"] for part in told["sentence_parts"]]
        assert (texts[0], "".join(texts)) == (led, told["sentence"])
    # The live stream says the same with the score.
    with server.reading() as store:
        events = latest_events(store, "main", 20)
        made = messages(store, events, lambda _: [], lambda _: False)
    (score,) = [m.text for e, m in zip(events, made, strict=True) if e.kind == "score"][-1:]
    data = json.loads(score.decode().partition("data: ")[2])
    assert data["since_change"] == [told]
    assert data["progress"]["enough"] is True
    person.post(f"/api/series/{again['id']}/finish")
    (told,) = history_of(person)["since_change"]
    assert told["left"] == pytest.approx(0.02, abs=0.003)
    assert told["left_sentence"].endswith("good enough for case work.")
    assert told["interval"]["low"] < told["moved"] < told["interval"]["high"] < 0
    said = next_of(person, again["id"])
    assert (said["act"], said["since_change"]) == ("check again", [told])
    assert said["check_by"] is not None
    date, joint, *why = [part["text"] for part in said["instruction_parts"]]
    assert re.fullmatch(r"Check it by about [A-Z][a-z]+ \d{4}( \(.*\))?", date)
    assert (joint, why != []) == (": ", True)
    assert "".join([date, joint, *why]) == said["instruction"]
    # What came before leads to it, and a further series was not asked whether it helped.
    assert (next_of(person, first)["act"], next_of(person, first)["later"]) == (
        "see the later series",
        again["id"],
    )
    measured(person, reversals(0.02, 0.01, 4, rng), work="case work")
    assert history_of(person)["since_change"] == []
    moved = {"machine": "Window saw", "kind": "moved"}
    person.post("/api/setup-changes", moved, 201)
    latest = history_of(person)["series"][-1]["id"]
    assert next_of(person, latest)["act"] == "measure again"
    measured(person, reversals(0.02, 0.01, 4, rng))
    assert history_of(person)["since_change"] == []


@ON_SQLITE
def test_each_verdict_has_its_own_act(person, rng):
    near = measured(person, reversals(0.1, 0.02, 4, rng), tolerance_deg="0.101")
    said = next_of(person, near)
    assert said["verdict"] == "cannot tell yet"
    assert (said["act"], said["way"]) == ("decide", "none")
    assert said["instruction"].endswith("Set it nearer to nominal, or accept a wider tolerance.")
    few = measured(person, reversals(0.0, 0.02, 2, rng), "Sled", tolerance_deg="0.05")
    said = next_of(person, few)
    assert (said["act"], said["way"]) == ("measure more", "more cuts")
    assert said["amount"] >= 1
    assert said["instruction"] == "About 1 more strip should tell."
    person.post(f"/api/series/{few}/resume")
    assert next_of(person, few)["act"] == "go on"
    person.post(f"/api/series/{few}/finish")
    without = measured(person, reversals(0.0, 0.02, 3, rng), "Planer")
    said = next_of(person, without)
    assert (said["act"], said["verdict"], said["advice"]) == ("say the need", None, None)
    assert (next_of(person, measured(person, [], "New saw"))["act"]) == "measure more"
    # Two strips are never enough for a move.
    far = [("10.00", "18.00"), ("10.02", "18.01")]
    two = measured(person, far, "Far saw", tolerance_deg="0.05", strips=2)
    said = next_of(person, two)
    assert (said["verdict"], said["act"]) == ("needs adjusting", "measure more")
    assert said["instruction"].startswith("Do not move it yet: 2 strips show too little")
    # Nor is the scatter of earlier series, which tells the verdict of one.
    for _ in range(2):
        measured(person, reversals(0.0, 0.02, 5, rng), "Steady saw", tolerance_deg="0.05")
    person.start("Steady saw", tolerance_deg="0.05")
    person.press("10.00", "11.00")
    one = person.get("/api/benches/main")["progress"]
    assert one["enough"] is False
    assert one["sentence"].startswith("1 strip made. 1 strip shows nothing of how much")
    block = measured(
        person,
        [("25.01",)] * 3,
        "Caliper",
        method="known-block",
        baseline="25",
    )
    assert next_of(person, block)["act"] == "none"
    assert person.client.get(f"/api/series/{block}/advice").status_code == 404


@ON_SQLITE
def test_the_number_of_strips_is_asked_anew_where_none_could_tell_before(person, rng):
    at_the_limit = measured(person, reversals(0.1, 0.01, 5, rng), tolerance_deg="0.1")
    once_more = person.post(f"/api/series/{at_the_limit}/again", {}, 201)
    assert once_more["strips"] is None
    person.post(f"/api/series/{once_more['id']}/finish")
    put_right = person.post(f"/api/series/{at_the_limit}/again", {"changed": "adjusted"}, 201)
    assert put_right["strips"] == 3
    person.post(f"/api/series/{put_right['id']}/finish")
    # Nothing to reckon by: as before, which a person may have said.
    unjudged = measured(person, reversals(0.1, 0.01, 5, rng), "Sled", strips=4)
    assert person.post(f"/api/series/{unjudged}/again", {}, 201)["strips"] == 4


def test_another_series_on_the_bench_is_not_ended_by_measuring_again(person, client, rng):
    first = measured(person, reversals(0.3, 0.01, 3, rng), tolerance_deg="0.1")
    other = person.start("Sled")
    person.press("12.00", "12.01")
    refused = client.post(f"/api/series/{first}/again", json={"changed": "adjusted"})
    assert refused.status_code == 409
    assert "a series of Sled by Reversal runs on bench main" in refused.json()["detail"]
    assert changes(person) == []
    assert person.series(other)["finished_at"] is None
    elsewhere = {"changed": "blade changed", "note": "60 teeth", "bench": "loft", "strips": 4}
    with ThreadPoolExecutor(4) as taps:
        begun = [
            answer.json()["id"]
            for answer in taps.map(
                lambda _: client.post(f"/api/series/{first}/again", json=elsewhere), range(4)
            )
        ]
    assert len(set(begun)) == 1
    again = person.series(begun[0])
    assert (again["bench"], again["strips"]) == ("loft", 4)
    (change,) = history_of(person)["setup_changes"]
    assert (change["kind"], change["note"]) == ("blade changed", "60 teeth")
    # One that still runs is not ended either, unless something was done to the machine.
    still = client.post(f"/api/series/{again['id']}/again", json={"bench": "loft"})
    assert still.status_code == 409
    assert "runs on bench loft; finish it first" in still.json()["detail"]
    assert person.series(again["id"])["finished_at"] is None
    missing = client.post("/api/series/01939d3e-7c1a-7000-8000-000000000000/again", json={})
    assert missing.status_code == 404


@ON_SQLITE
def test_after_a_swing_it_is_told_whether_it_came_back_and_nothing_else(person, server, rng):
    rows = reversals(0.02, 0.01, 5, rng)
    day = datetime.now(UTC) - timedelta(days=3)
    settings = {"tolerance_deg": "0.2", "strips": 5}
    checked_on(server, person, day, rows, **settings)
    checked_on(server, person, day + timedelta(hours=1), rows, **settings)
    assert history_of(person)["since_change"] == []  # nothing was done in between
    swung = {"machine": "Window saw", "kind": "swung and back"}
    at = (day + timedelta(hours=2)).isoformat()
    person.post("/api/setup-changes", {**swung, "at": at}, 201)
    back = measured(person, reversals(0.03, 0.01, 5, rng), **settings)
    measured(person, reversals(0.0, 0.01, 3, rng), method="half-turn", thickness="20")
    (told,) = history_of(person)["since_change"]
    assert (told["question"], told["answer"]) == ("did it come back", "came back")
    assert told["moved"] == pytest.approx(0.01, abs=0.01)
    assert told["sentence_parts"][0]["text"] == "It came back to its stop"
    assert next_of(person, back)["since_change"] == [told]
    person.post("/api/setup-changes", {**swung, "kind": "moved"}, 201)
    assert history_of(person)["since_change"] == []
