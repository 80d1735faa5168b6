"""Whatever is done has its author: the person named, else the pass that it came by."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from sqlalchemy import text

from api.access.book import Book
from api.access.rungs import Rung
from api.server import Server
from api.store import doctor
from api.store.tables import Base
from tests.api.bench import Person
from tests.api.conftest import far_client

ADA, PHONE = ("Ada", None), ("phone", "phone")
NOBODY = (None, None)


@pytest.fixture
def phone(application: FastAPI, client: TestClient, book: Book) -> TestClient:  # noqa: ARG001
    """Another device, which may run what it likes."""
    return far_client(application, book.add_token("phone", Rung.RUN)[1])


def authors(server: Server, table: str) -> list[tuple[str | None, str | None]]:
    """Who made each row, and by which pass, in the order in which they were made."""
    by = "a.name" if "person_id" in Base.metadata.tables[table].c else "NULL"
    on = "a.id = t.person_id" if by == "a.name" else "1 = 0"
    query = (
        f"SELECT {by}, b.name FROM {table} t LEFT JOIN people a ON {on}"
        " LEFT JOIN people b ON b.id = t.pass_id ORDER BY t.id"
    )
    with server.reading() as store:
        return [tuple(row) for row in store.execute(text(query))]


def acts(client: TestClient, series: str) -> dict[str, tuple[str | None, str | None]]:
    found = client.get(f"/api/series/{series}/acts").json()
    return {each["kind"]: (each["who"], each["through"]) for each in found}


def a_day(bench: Person, who: str | None) -> str:
    """All that is done at a bench, by whoever is named."""
    by: dict[str, Any] = {} if who is None else {"who": who}
    series = bench.start(f"Saw of {bench.bench}", person=who)
    bench.press("12.30", "12.40", "12.31", "12.41")
    at = f"/api/benches/{bench.bench}"
    bench.post(f"{at}/take-back", by)
    bench.post(f"{at}/restore", {"reading": bench.press("12.52")[0]["id"], **by}, 409)
    bench.post(f"{at}/swap-ends", by)
    bench.post(f"{at}/away", {"to_deg": "45", **by})
    bench.post(f"{at}/stayed", by)
    bench.post(f"/api/series/{series}/finish", by)
    bench.post(f"/api/series/{series}/resume", by)
    bench.post(f"/api/series/{series}/trials/1/leave-out", by)
    return series


def test_who_did_it_is_the_person_named_else_the_pass_else_nobody(client, phone, server):
    here, named, far = Person(client, "here"), Person(client, "named"), Person(phone, "far")
    series = {
        each.bench: a_day(each, "Ada" if each is named else None) for each in (here, named, far)
    }
    kinds = ["start", "take back", "swap ends", "away", "stayed", "finish", "resume", "leave out"]
    for bench, author in (("here", NOBODY), ("named", ADA), ("far", PHONE)):
        assert acts(client, series[bench]) == dict.fromkeys(kinds, author)
    assert Counter(authors(server, "readings")) == {NOBODY: 10, (None, "phone"): 5}
    # A name that is picked on the device goes before the device's, which stands beside it.
    far.post(f"/api/series/{series['far']}/finish", {"who": "Bo"})
    assert acts(client, series["far"])["finish"] == ("Bo", "phone")
    page = client.get(f"/series/{series['far']}").text
    assert "Bo (through phone)" in page
    assert "Who did what at the bench" not in client.get(f"/series/{series['here']}").text

    # Who did it moves no result.
    def told(of: str) -> list[Any]:
        found = client.get(f"/api/series/{series[of]}").json()
        values = "number", "visit", "state", "flags", "deviation_mm", "angle_deg"
        trials = [[trial[each] for each in values] for trial in found["trials"]]
        return [trials, [[r["sent"] for r in t["readings"]] for t in found["trials"]]]

    assert told("here") == told("named") == told("far")
    with server.reading() as store:
        assert list(doctor.findings(store)) == []


def test_what_is_made_and_corrected_names_who_did_it(client, phone, server):
    def made(by: TestClient, name: str, **who: str) -> str:
        saw = by.post("/api/machines", json={"name": name, "kind": "other", **who}).json()["id"]
        stop = {"machine": saw, "name": "45", "nominal_deg": "45", **who}
        assert by.post("/api/stops", json=stop).status_code == 201
        work = {"name": f"of {name}", "tolerance_deg": "0.1", **who}
        assert by.post("/api/works", json=work).status_code == 201
        change = {"machine": saw, "kind": "adjusted", **who}
        assert by.post("/api/setup-changes", json=change).status_code == 201
        note = {"note": "by the door", **who}
        assert by.patch(f"/api/machines/{saw}", json=note).status_code == 200
        return str(saw)

    first = made(client, "First saw")
    second = made(phone, "Second saw")
    made(phone, "Third saw", who="Bo")
    every = [NOBODY, PHONE, ("Bo", "phone")]
    for table in ("machines", "works", "setup_changes", "changes"):
        assert authors(server, table) == every, table
    assert [each for each in authors(server, "stops") if each != NOBODY] == every[1:]
    found = client.get("/api/changes").json()
    assert [(each["who"], each["through"]) for each in found] == every
    # What a merge makes and moves is its author's too.
    assert phone.post(f"/api/machines/{second}/merge", json={"into": first}).status_code == 200
    assert {(c["who"], c["through"]) for c in client.get("/api/changes").json()[3:]} == {PHONE}
    page = client.get(f"/machine/{first}").text
    assert ", phone<" in page
    lines = b"number,machine,method,taken_at,fence end,open end,baseline,unit\r\n"
    lines += b"1,Old saw,reversal,2024-02-03,12.30,12.70,200,mm\r\n"
    loaded = phone.post("/api/load", content=lines, headers={"Content-Type": "text/csv"})
    assert loaded.status_code == 200, loaded.text
    (series,) = loaded.json()["series"]
    assert acts(client, series) == {"start": PHONE, "finish": PHONE}
    assert authors(server, "machines")[-1] == PHONE


def everything(server: Server) -> str:
    """All that the store holds, as text."""
    with server.reading() as store:
        return "".join(
            str(row)
            for name in Base.metadata.tables
            for row in store.execute(text(f"SELECT * FROM {name}"))
        )


def test_a_name_that_is_given_up_is_nowhere_and_the_log_still_tells_its_acts_together(
    client, phone, book, server, tmp_path
):
    book.add_token("Zebulon", Rung.PRESS)
    bench = Person(phone)
    series = a_day(bench, "Zebulon")
    other = Person(client, "other")
    other.start("Other saw", person="Yvo")
    for person in ("Yvo", "Zebulon"):
        answer = client.patch(f"/api/series/{series}", json={"person": person, "who": "Zebulon"})
        assert answer.status_code == 200, answer.text
    people = {each["name"]: each["id"] for each in client.get("/api/people").json()}
    assert people.keys() == {"Yvo", "Zebulon", "phone"}
    assert "Zebulon" in everything(server)
    address = f"/api/people/{people['Zebulon']}"
    for wrong in ({}, {"name": "Abe", "anonymous": True}):
        assert client.patch(address, json=wrong).status_code == 422
    assert phone.patch(address, json={"anonymous": True}).status_code == 403  # it may only run
    gone = client.patch(address, json={"anonymous": True}).json()
    assert gone["name"] == "somebody 1"
    assert "token that is let in is called Zebulon" in gone["still"][0]
    assert "Zebulon" not in everything(server)
    found = acts(client, series)
    assert set(found.values()) == {("somebody 1", "phone")}
    told = client.get("/api/changes").json()
    assert {(c["who"], c["after"]) for c in told if c["field"] == "person"} == {
        *(("somebody 1", "Yvo"), ("somebody 1", "somebody 1"))
    }
    # The next one is not taken for the same.
    yvo = client.patch(f"/api/people/{people['Yvo']}", json={"anonymous": True}).json()
    assert (yvo["name"], len(yvo["still"])) == ("somebody 2", 2)
    with server.reading() as store:
        assert list(doctor.findings(store)) == []
    server.close()
    files = [file.read_bytes() for file in (tmp_path / "data").rglob("*.sqlite*")]
    assert not any(b"Zebulon" in file for file in files)
