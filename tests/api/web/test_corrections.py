"""Whatever was said wrong is corrected over HTTP, with its trail, and can be undone."""

from __future__ import annotations

import math
from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE

NOWHERE = "00000000-0000-7000-8000-000000000000"


@pytest.fixture
def person(client: TestClient) -> Person:
    return Person(client)


def corrected(person: Person, series: str, body: dict[str, Any], status: int = 200) -> Any:
    answer = person.client.patch(f"/api/series/{series}", json=body)
    assert answer.status_code == status, answer.text
    return answer.json()


def refused(person: Person, series: str, body: dict[str, Any]) -> tuple[str, str]:
    (error,) = corrected(person, series, body, 422)["errors"]
    return error["field"], error["message"]


def without_trail(series: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in series.items() if name != "corrections"}


def test_a_slip_in_a_length_is_corrected_after_the_end_and_undone(person):
    series = person.start(baseline="18.4", tolerance_deg="0.1")
    person.press("12.30", "12.40", "12.30", "12.40", "12.30", "12.41")
    person.post(f"/api/series/{series}/finish")
    before = person.series(series)
    path = f"/api/series/{series}"
    would = person.client.patch(f"{path}?dry_run=true", json={"baseline": "184"}).json()
    assert person.series(series) == before
    said = {"baseline": "184", "who": "Ada", "reason": "a slip"}
    after = corrected(person, series, said)
    assert after["trials"][0]["angle_deg"] == pytest.approx(math.degrees(math.atan(0.1 / 368)))
    assert without_trail(would) == without_trail(after)
    (change,) = after["corrections"]
    assert [change[name] for name in ("field", "before", "after", "who", "reason", "undone")] == [
        *("baseline", "18.4", "184", "Ada", "a slip", False)
    ]
    assert person.post(f"/api/changes/{change['id']}/undo", {"who": "Bo"})["undone"]
    undone = person.series(series)
    assert without_trail(undone) == without_trail(before)
    assert [(c["who"], c["undoes"]) for c in undone["corrections"]] == [
        ("Ada", None),
        ("Bo", change["id"]),
    ]


def test_every_setting_is_corrected_at_once_and_undone_at_once(person):
    series = person.start(tolerance_gap="0.2", tolerance_joint="100")
    person.post("/api/machines", {"name": "Sled", "kind": "table saw sled"}, 201)
    person.press("12.30", "12.40")
    before = person.series(series)
    said = {
        "machine": "Sled",
        "method": "five-cut",
        "baseline": "8",
        "thickness": "0.75",
        "inset": "0.1",
        "jaw_width": "0.2",
        "unit": "in",
        "readings_unit": "in",
        "strip_side": "right",
        "tolerance_deg": "0.1",
        "person": "Ada",
        "note": "damp",
        "baseline_within": "0.01",
        "thickness_within": "0.01",
        "inset_within": "0.01",
        "straightness": "0.002",
    }
    found = corrected(person, series, said)
    assert found["machine"]["name"] == "Sled"
    assert found["tolerance"] == dict.fromkeys(("gap", "joint", "length", "nominal")) | {
        "deg": "0.1"
    }
    same = said.keys() - {"machine", "tolerance_deg"}
    assert {name: found[name] for name in same} == {name: said[name] for name in same}
    assert [r["unit"] for r in found["trials"][0]["readings"]] == ["in", "in"]
    person.post(f"/api/changes/{found['corrections'][0]['id']}/undo")
    assert without_trail(person.series(series)) == without_trail(before)


_READ = {
    "reversal": [("12.30", "12.41"), ("12.55", "12.64"), ("12.10", "12.23"), ("11.98", "12.06")],
    "half-turn": [("12.30", "12.41"), ("12.35", "12.42"), ("12.55", "12.64")],
    "stop-block": [("12.30",), ("12.41",), ("12.35",)],
}
_OWN = ("id", "series", "bench", "stop", "taken_at", "started_at", "finished_at", "corrections")


def told(found: Any) -> Any:
    """What is said of a series, without what tells it from another one of the same readings."""
    if isinstance(found, dict):
        own = (*_OWN, "act", "check_by", "links", "machine")
        return {name: told(value) for name, value in found.items() if name not in own}
    return [told(each) for each in found] if isinstance(found, list) else found


@ON_SQLITE
@pytest.mark.parametrize(
    ("method", "wrong", "said"),
    [
        ("reversal", {"baseline": "20"}, {"baseline": "200"}),
        ("reversal", {"baseline": "8"}, {"unit": "in"}),
        ("reversal", {"inset": "5"}, {"inset": "3", "jaw_width": "6"}),
        ("reversal", {}, {"strip_side": "right", "thickness": "18"}),
        ("reversal", {"tolerance_deg": "0.5"}, {"tolerance_deg": "0.05"}),
        ("reversal", {"tolerance_gap": "1", "tolerance_joint": "10"}, {"tolerance_joint": "100"}),
        ("reversal", {}, {"baseline_within": "2", "inset_within": "1", "straightness": "0.05"}),
        ("reversal", {"method": "five-cut"}, {"method": "reversal", "person": "Ada"}),
        ("half-turn", {"thickness": "1.8"}, {"thickness": "18", "thickness_within": "1"}),
        ("stop-block", {}, {"tolerance_length": "0.2", "tolerance_nominal": "12.3"}),
    ],
)
def test_what_is_corrected_is_as_if_it_had_been_said_so_at_once(client, method, wrong, said):
    found = []
    for bench, settings, then in (("a", wrong, said), ("b", wrong | said, {})):
        person = Person(client, bench)
        lengths: dict[str, Any] = {"baseline": None} if method == "stop-block" else {}
        series = person.start(f"Saw {bench}", **({"method": method} | lengths | settings))
        for row in _READ[method]:
            person.press(*row)
        person.post(f"/api/series/{series}/finish")
        if then:
            assert corrected(person, series, then)["corrections"]
        found.append([person.series(series), person.get(f"/api/series/{series}/next")])
    assert told(found[0]) == told(found[1])
    assert found[0][0]["score"]["trials"] == len(_READ[method])


@ON_SQLITE
def test_what_cannot_be_is_refused_in_words(person):
    series = person.start(tolerance_deg="0.1")
    assert "say what to correct" in refused(person, series, {"who": "Ada"})[1]
    assert refused(person, series, {"method": "stop-block"})[0] == "method"
    assert refused(person, series, {"machine": "nobody's"})[0] == "machine"
    assert refused(person, series, {"unit": None})[0] == "unit"
    assert refused(person, series, {"baseline": None})[0] == "baseline"
    assert refused(person, series, {"tolerance_gap": "0.1"})[0] == "tolerance_joint"
    assert corrected(person, series, {"tolerance_deg": None})["tolerance"] is None
    assert refused(person, series, {"baseline": "9" * 41})[1] == "must be at most 40 characters"
    corrected(person, NOWHERE, {"baseline": "20"}, 404)
    for act in ("swap-ends", "leave-out", "count-again", "away", "stayed", "move"):
        for number in (-1, 0, 2**31, 10**20):
            answer = person.post(f"/api/series/{series}/trials/{number}/{act}", status=422)
            assert answer["errors"][0]["field"] == "number"
    person.post(f"/api/changes/{NOWHERE}/undo", {}, 404)


def test_a_strip_left_out_is_shown_and_does_not_count_until_it_does_again(person):
    series = person.start()
    readings = person.press("12.30", "12.40", "12.30", "12.41", "12.30", "13.90")
    person.post(f"/api/series/{series}/finish")
    before = person.series(series)
    trials = f"/api/series/{series}/trials"
    found = person.post(f"{trials}/3/leave-out", {"reason": "a chip at the fence"})
    assert [t["state"] for t in found["trials"]] == ["complete", "complete", "left out"]
    assert found["trials"][2]["angle_deg"] == before["trials"][2]["angle_deg"]
    assert found["score"]["trials"] == 2
    machine = found["machine"]["id"]
    (line,) = person.get(f"/api/machines/{machine}/history")["series"]
    assert line["trials"] == 2
    assert "already" in person.post(f"{trials}/3/leave-out", status=409)["detail"]
    again = person.post(f"{trials}/3/count-again")
    assert again["trials"] == before["trials"]
    swapped = person.post(f"{trials}/1/swap-ends")["trials"][0]
    assert swapped["angle_deg"] == -before["trials"][0]["angle_deg"]
    taken = person.post(f"/api/readings/{readings[5]['id']}/take-back", {"who": "Ada"})
    assert [t["state"] for t in taken["trials"]] == ["complete", "complete", "open"]
    assert [(a["sent"], a["why"]) for a in taken["aside"]] == [("13.90", "taken back")]
    back = person.post(f"/api/readings/{readings[5]['id']}/restore")
    assert back["trials"][1:] == before["trials"][1:]


def test_strips_of_another_board_move_to_a_series_with_the_same_settings(person):
    series = person.start(tolerance_deg="0.1", strips=4, note="oak")
    corrected(person, series, {"readings_unit": "in"})
    person.press("0.4842", "0.4882", "0.4842", "0.4884", "0.4842", "0.4886")
    before = person.series(series)
    made = person.post(f"/api/series/{series}/trials/2/move", {"rest": True, "who": "Ada"})
    assert made["id"] != series
    assert (made["note"], made["readings_unit"], made["strips"]) == ("oak", "in", None)
    angles = [t["angle_deg"] for t in before["trials"]]
    assert [t["angle_deg"] for t in made["trials"]] == angles[1:]
    assert len(person.series(series)["trials"]) == 1
    person.post(f"/api/series/{made['id']}/trials/2/move", {"to": series})
    assert [t["angle_deg"] for t in person.series(series)["trials"]] == [angles[0], angles[2]]
    # As many places, and others: what was read at a fence end is not a lower edge.
    tilted = person.start(method="half-turn", baseline=None, thickness="19")
    there = f"/api/series/{series}/trials/1/move"
    assert "other places" in person.post(there, {"to": tilted}, 409)["detail"]
    assert "no strip 7" in person.post(f"/api/series/{series}/trials/7/move", status=404)["detail"]


@ON_SQLITE
def test_a_correction_of_what_was_not_seen_is_not_made(person):
    series = person.start()
    path = f"/api/series/{series}"
    (reading,) = person.press("12.30")
    seen = {"If-Match": person.client.get(path).headers["ETag"]}
    person.press("12.40")
    for stale in (
        person.client.patch(path, json={"note": "x"}, headers=seen),
        person.client.post(f"{path}/trials/1/swap-ends", json={}, headers=seen),
        person.client.post(f"/api/readings/{reading['id']}/take-back", json={}, headers=seen),
    ):
        assert stale.status_code == 412
        assert "read it again" in stale.json()["detail"]
    seen = {"If-Match": person.client.get(path).headers["ETag"]}
    assert person.client.patch(path, json={"note": "x"}, headers=seen).status_code == 200
    assert len(person.series(series)["corrections"]) == 1


def test_all_corrections_come_in_pages(person):
    series = person.start()
    for note in "abc":
        corrected(person, series, {"note": note})
    answer = person.client.get("/api/changes", params={"limit": 2})
    assert [change["after"] for change in answer.json()] == ["a", "b"]
    rest = person.get(answer.links["next"]["url"])
    assert [(change["after"], change["series"]) for change in rest] == [("c", series)]
    assert person.get("/api/changes?since=2100-01-01T00:00:00Z") == []
    unknown = person.client.get("/api/changes", params={"after": NOWHERE})
    assert unknown.json()["errors"][0]["field"] == "after"
