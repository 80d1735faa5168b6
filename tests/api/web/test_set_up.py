"""What is asked about a set-up over HTTP, before a series is started."""

from __future__ import annotations

import pytest


def _asked(client, **said: str) -> list[dict[str, object]]:
    answer = client.get("/api/set-up", params={"method": "reversal", "unit": "mm", **said})
    assert answer.status_code == 200, answer.text
    return answer.json()


@pytest.mark.parametrize("typed", ["18.4", "18400", "18,4"])
def test_a_slipped_decimal_point_is_answered_with_what_was_meant(client, typed):
    (asked,) = _asked(client, kind="sliding miter saw", baseline=typed)
    assert asked["field"] == "baseline"
    assert asked["proposed"] == ["184"]
    assert "184 mm" in asked["sentence"]


def test_usual_and_missing_lengths_are_not_asked_about(client):
    assert _asked(client, kind="miter saw", baseline="184", inset="0", thickness="") == []


def test_each_length_is_asked_about_by_its_own_field(client):
    fields = [a["field"] for a in _asked(client, method="half-turn", thickness="1", inset="300")]
    assert fields == ["thickness", "inset"]


@pytest.mark.parametrize(
    ("said", "field"), [({"method": "guess"}, "method"), ({"baseline": "wide"}, "baseline")]
)
def test_what_cannot_be_read_is_said_at_its_field(client, said, field):
    answer = client.get("/api/set-up", params={"method": "reversal"} | said)
    assert answer.status_code == 422
    assert [error["field"] for error in answer.json()["errors"]] == [field]


@pytest.mark.parametrize("pieces", ["2", "1" + "0" * 400])
def test_pieces_that_make_no_frame_are_said_at_their_field(client, pieces):
    answer = client.get("/api/set-up", params={"method": "closing-miters", "pieces": pieces})
    assert answer.status_code == 422
    assert [error["field"] for error in answer.json()["errors"]] == ["pieces"]


def test_a_set_up_is_refused_before_anything_is_stored_as_the_series_would_be(client):
    body = {
        "machine": "New saw",
        "kind": "miter saw",
        "method": "reversal",
        "unit": "mm",
        "baseline": "200",
        "strip_side": "left",
        "work": "picture frame",
        "strips": 5,
    }

    def refused(**said: object) -> list[str]:
        answer = client.post("/api/set-up", json=body | said)
        assert answer.status_code == 422, answer.text
        return [error["field"] for error in answer.json()["errors"]]

    assert refused(inset="150") == ["inset"]
    assert refused(work="boats") == ["work"]
    assert refused(strips=0, repeats=0) == ["repeats", "strips"]
    assert refused(kind=None) == ["machine"]
    answer = client.post("/api/set-up", json=body | {"baseline": "18.4"})
    assert [asked["proposed"] for asked in answer.json()] == [["184"]]
    assert client.post("/api/set-up", json=body).json() == []
    assert client.get("/api/machines").json() == client.get("/api/works").json() == []
