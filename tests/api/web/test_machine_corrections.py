"""What was said of machines, calipers, setup changes and people is corrected over HTTP, with its
trail, and undone."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from io import BytesIO
from typing import Any
from uuid import UUID
from zipfile import ZipFile

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import select, text

from api.errors import Conflict
from api.store import doctor, machine_records
from api.store.rows import changes
from api.store.tables import Event, Person
from api.store.trail import By
from tests.api.entries import new_series, reading
from tests.ptys import PATIENCE_S

NOBODY = By()


def machine(server, name: str) -> UUID:
    return server.journal.add_machine(name, "other")


def said(server, kind: str, subject: object) -> list[Any]:
    with server.reading() as store:
        return list(changes.of_subject(store, kind, str(subject)))


def ok(answer) -> dict[str, Any]:
    assert answer.status_code in (200, 201), answer.text
    return answer.json()


def series_of(client: TestClient, machine_id: UUID) -> list[str]:
    return sorted(
        each["id"] for each in ok(client.get(f"/api/series?machine={machine_id}"))["series"]
    )


def test_a_machine_is_renamed_retired_and_undone(client, server):
    saw = machine(server, "Saww")
    series = server.journal.start(new_series(saw))
    server.journal.keep([reading("12.30"), reading("12.70")])
    address = f"/api/machines/{saw}"
    tag = client.get(address).headers["ETag"]
    would = ok(client.patch(f"{address}?dry_run=true", json={"name": "Saw"}))
    assert (would["name"], client.get(address).json()["name"]) == ("Saw", "Saww")
    body = {"name": "Saw", "note": "by the door", "who": "Ada", "reason": "a slip"}
    assert ok(client.patch(address, json=body, headers={"If-Match": tag}))["name"] == "Saw"
    stale = client.patch(address, json={"name": "Sow"}, headers={"If-Match": tag})
    assert (stale.status_code, "read it again" in stale.json()["detail"]) == (412, True)
    assert client.get(f"/api/series/{series}").json()["machine"]["name"] == "Saw"
    with server.reading() as store:
        kinds = list(store.scalars(select(Event.kind).where(Event.subject == saw)))
        assert list(doctor.findings(store)) == []
    assert kinds == ["machine"]
    renamed, noted = said(server, "machine", saw)
    assert (renamed.before, renamed.after, renamed.who) == ("Saww", "Saw", "Ada")
    assert renamed.act == noted.act
    ok(client.post(f"/api/changes/{renamed.id}/undo", json={}))
    assert ok(client.get(address))["name"] == "Saww"
    assert ok(client.get(address))["note"] is None
    ok(client.patch(address, json={"retired": True}))
    assert client.get("/api/machines").json() == []
    assert client.get(f"/api/series/{series}").json()["machine"] == client.get(address).json()
    assert [m["id"] for m in client.get("/api/machines?retired=true").json()] == [str(saw)]
    assert series_of(client, saw) == [str(series)]
    again = client.post(f"/api/series/{series}/again", json={})
    assert (again.status_code, "bring it back first" in again.json()["detail"]) == (422, True)
    ok(client.patch(address, json={"retired": False}))
    assert len(client.get("/api/machines").json()) == 1


def test_what_was_said_otherwise_since_is_not_undone(client, server):
    saw = machine(server, "a")
    for name in ("b", "c"):
        ok(client.patch(f"/api/machines/{saw}", json={"name": name}))
    first, _ = said(server, "machine", saw)
    with pytest.raises(Conflict, match="changed again since"):
        server.machine_records.undo(first.id, NOBODY)


def test_case_and_spaces_make_no_other_machine(client, server):
    saw = ok(client.post("/api/machines", json={"name": "Größe  saw"}))
    again = ok(client.post("/api/machines", json={"name": " GRÖSSE SAW "}))
    assert again["id"] == saw["id"]
    body = {"machine": "größe saw", "method": "reversal", "baseline": "200", "unit": "mm"}
    body["strip_side"] = "left"
    started = client.post("/api/series", json=body)
    assert started.status_code == 201, started.text
    assert started.json()["machine"]["id"] == saw["id"]
    other = machine(server, "Other")
    taken = client.patch(f"/api/machines/{other}", json={"name": "größe saw"})
    assert (taken.status_code, "merge" in taken.json()["detail"]) == (409, True)
    # Its own name, otherwise spelled, is free for it.
    ok(client.patch(f"/api/machines/{saw['id']}", json={"name": "GRÖSSE SAW"}))


def test_an_interrupted_merge_is_completed_and_undone(client, server, monkeypatch):
    monkeypatch.setattr(machine_records, "TOGETHER", 2)
    twin, saw = machine(server, "Twin"), machine(server, "Saw")
    moved = [server.journal.start(new_series(twin)) for _ in range(5)]
    own = server.journal.start(new_series(saw, "other"))
    change = ok(client.post("/api/setup-changes", json={"machine": "Twin", "kind": "adjusted"}))
    records = server.machine_records
    some, calls = records._move_some, []

    def interrupted(machine_id: UUID) -> bool:
        calls.append(machine_id)
        if len(calls) == 2:
            raise KeyboardInterrupt
        return some(machine_id)

    monkeypatch.setattr(records, "_move_some", interrupted)
    with pytest.raises(KeyboardInterrupt):
        records.merge(twin, saw, By("Ada"))
    assert len(series_of(client, saw)) == 3
    monkeypatch.setattr(records, "_move_some", some)

    def give_way(_seconds: float) -> None:
        """A press comes in between two transactions."""
        with ThreadPoolExecutor(1) as elsewhere:
            press = elsewhere.submit(server.journal.keep, [reading("12.30")])
            pressed.append(press.result(PATIENCE_S).stored)

    pressed: list[int] = []
    monkeypatch.setattr(machine_records, "sleep", give_way)
    would = ok(client.post(f"/api/machines/{twin}/merge?dry_run=results", json={"into": "Saw"}))
    assert (would["corrected"], pressed) == (2, [])
    records.complete_merges()
    assert pressed == [1, 1]
    assert series_of(client, saw) == sorted(str(each) for each in (*moved, own))
    ok(client.post(f"/api/machines/{twin}/merge", json={"into": "Saw"}))
    assert ok(client.get(f"/api/machines/{twin}"))["id"] == str(saw)
    assert [m["name"] for m in client.get("/api/machines").json()] == ["Saw"]
    # What is measured by the old name belongs to the other too.
    later = server.journal.start(new_series(twin))
    (merged,) = said(server, "machine", twin)
    with server.reading() as store:
        acts = {change.act for each in moved for change in changes.of_series(store, each)}
    assert (acts, merged.who) == ({merged.act}, "Ada")
    ok(client.post(f"/api/changes/{merged.id}/undo", json={}))
    assert series_of(client, twin) == sorted(map(str, moved))
    assert series_of(client, saw) == sorted(map(str, (own, later)))
    assert ok(client.get(f"/api/machines/{twin}"))["name"] == "Twin"
    assert [c.after for c in said(server, "setup change", change["id"])] == [str(saw), str(twin)]
    nobody = client.post(f"/api/machines/{twin}/merge", json={"into": "nobody's"})
    assert (nobody.status_code, nobody.json()["errors"][0]["field"]) == (422, "into")
    itself = client.post(f"/api/machines/{twin}/merge", json={"into": str(twin)})
    assert itself.status_code == 409


def test_a_machine_takes_the_name_of_one_that_was_merged_into_it(client, server):
    twin, saw = machine(server, "Twin"), machine(server, "Saw")
    ok(client.post(f"/api/machines/{twin}/merge", json={"into": "Saw"}))
    assert ok(client.patch(f"/api/machines/{saw}", json={"name": "twin"}))["name"] == "twin"
    for name in ("Twin", "Saw"):  # either leads to it
        assert machine(server, name) in (twin, saw)
        assert ok(client.get(f"/api/machines/{machine(server, name)}"))["name"] == "twin"
    with server.reading() as store:
        assert list(doctor.findings(store)) == []
    (renamed,) = said(server, "machine", saw)
    ok(client.post(f"/api/changes/{renamed.id}/undo", json={}))
    assert ok(client.get(f"/api/machines/{twin}"))["name"] == "Saw"
    changes_of_both = [*said(server, "machine", twin), *said(server, "machine", saw)]
    assert [c.undone for c in changes_of_both if c.undoes is None] == [False, True, True]
    (merged,) = (c for c in changes_of_both if c.field == "merged into")
    ok(client.post(f"/api/changes/{merged.id}/undo", json={}))
    assert [m["name"] for m in client.get("/api/machines").json()] == ["Saw", "Twin"]
    with server.reading() as store:
        assert list(doctor.findings(store)) == []


def test_a_withdrawn_setup_change_counts_nowhere(client, server):
    machine(server, "Saw")
    made = ok(client.post("/api/setup-changes", json={"machine": "Saw", "kind": "adjusted"}))
    address = f"/api/setup-changes/{made['id']}"
    changed = ok(client.patch(address, json={"kind": "cleaned", "at": "2024-05-01T10:00:00Z"}))
    assert (changed["kind"], changed["at"][:10]) == ("cleaned", "2024-05-01")
    assert client.patch(address, json={"at": "2999-01-01T10:00:00Z"}).status_code == 422
    assert ok(client.patch(address, json={"withdrawn": True}))["withdrawn"]
    history = f"/api/machines/{made['machine']}/history"
    assert ok(client.get(history))["setup_changes"] == []
    withdrawn = said(server, "setup change", made["id"])[-1]
    server.machine_records.undo(withdrawn.id, NOBODY)
    assert [c["id"] for c in ok(client.get(history))["setup_changes"]] == [made["id"]]


def test_two_names_of_one_caliper_are_one(client, server):
    saw = machine(server, "Saw")
    series = server.journal.start(new_series(saw))
    server.journal.keep(
        [replace(reading("12.30"), caliper="a"), replace(reading("12.70"), caliper="b")]
    )
    ok(client.patch("/api/calipers/a", json={"name": "Bench caliper", "jaw_width": "3"}))
    assert ok(client.patch("/api/calipers/b", json={"name": "Bench caliper"}))["readings"] == 2
    (one,) = client.get("/api/calipers").json()
    assert (one["name"], one["heard_as"], one["jaw_width_mm"]) == ("Bench caliper", ["a", "b"], 3.0)
    (trial,) = client.get(f"/api/series/{series}").json()["trials"]
    assert {r["caliper"] for r in trial["readings"]} == {"Bench caliper"}
    history = ok(client.get(f"/api/machines/{saw}/history"))
    assert history["series"][0]["calipers"] == ["Bench caliper"]
    with server.reading() as store:
        told = list(store.scalars(select(Event.data).where(Event.kind == "caliper name")))
        assert list(doctor.findings(store)) == []
    assert told == [{"caliper": "a"}, {"caliper": "b"}]
    ok(client.patch("/api/calipers/Bench%20caliper", json={"retired": True}))
    assert client.get("/api/calipers").json() == []
    for change in reversed(said(server, "caliper", "b")):
        server.machine_records.undo(change.id, NOBODY)
    assert {c["name"] for c in client.get("/api/calipers?retired=true").json()} == {
        "Bench caliper",
        "b",
    }


def test_a_person_is_renamed_everywhere(client, server):
    saw = machine(server, "Saw")
    series = server.journal.start(new_series(saw))
    address = f"/api/series/{series}"
    for measured in ("Ada", "Cy", "Ada"):
        ok(client.patch(address, json={"person": measured, "who": "Ben"}))
    for name, who in (("b", "Ada"), ("c", "Ben")):
        ok(client.patch(f"/api/machines/{saw}", json={"name": name, "who": who}))
    with server.reading() as store:
        ada = store.scalar(select(Person.id).where(Person.name == "Ada"))
    assert client.patch(f"/api/people/{ada}", json={"name": "Ben"}).status_code == 409
    ok(client.patch(f"/api/people/{ada}", json={"name": "somebody"}))
    assert [c.who for c in said(server, "machine", saw)] == ["somebody", "Ben"]
    assert [p["name"] for p in client.get("/api/people").json()] == ["Ben", "Cy", "somebody"]
    with server.reading() as store:
        assert store.execute(text("SELECT 1 FROM people WHERE name = 'Ada'")).first() is None
        assert list(doctor.findings(store)) == []
    # The trail of who measured has no name that is gone, wherever it is read, and can be undone.
    trail = [(c["before"], c["after"]) for c in ok(client.get(address))["corrections"]]
    assert trail == [(None, "somebody"), ("somebody", "Cy"), ("Cy", "somebody")]
    with ZipFile(BytesIO(client.get("/api/history.zip").content)) as history:
        told = history.read("changes.csv").decode()
    page = client.get(f"/series/{series}").text
    assert all("somebody" in text and "Ada" not in text for text in (told, page))
    last = ok(client.get(address))["corrections"][-1]["id"]
    ok(client.post(f"/api/changes/{last}/undo", json={}))
    assert ok(client.get(address))["person"] == "Cy"
    with server.reading() as store:
        assert list(doctor.findings(store)) == []


def test_a_renamed_caliper_is_studied_and_stopped_by_its_new_name(client, server):
    server.start()
    spec = "serial:/dev/serial/by-id/never-plugged-in,name=deep,bench=side"
    assert client.post("/api/calipers", json={"spec": spec}).status_code == 201
    server.journal.keep([replace(reading("12.30", bench="side"), caliper="deep")])
    ok(client.patch("/api/calipers/deep", json={"name": "depth gauge"}))
    study = ok(client.post("/api/calipers/depth%20gauge/studies", json={"method": "same-spot"}))
    assert ok(client.get(f"/api/series/{study['id']}"))["bench"] == "side"
    assert ok(client.delete("/api/calipers/depth%20gauge"))["name"] == "deep"
    assert server.calipers("side") == []
