"""Who brings ever new benches and calipers into being meets the limit, whichever way they go."""

from __future__ import annotations

import json
from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from sqlalchemy import select

from api.access.book import Book
from api.access.rungs import Rung
from api.server import Server
from api.store.tables import Bench, Caliper
from api.store.tables import Person as Author
from api.web import ladder, new_names
from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE, far_client

_KEEP_NONE = {
    "/api/set-up",  # stores nothing
    "/api/access/invitations",  # says where readings may be sent to
    "/api/benches/{name}/ask",  # asks what is listened to already
}
_REFUSED = {"text": "?", "reason": "no", "heard_at": "2026-11-30T12:00:00Z"}
_NOTEBOOK = b"machine,method,taken_at,fence end,open end,baseline,unit,caliper\r\n"
_NOTEBOOK += b"Old saw,reversal,2024-02-03,12.30,12.70,200,mm,new\r\n"


def _fields(document: dict[str, Any], schema: dict[str, Any], seen: set[str]) -> set[str]:
    """The fields of a shape and of those in it. seen: the names of shapes looked into already."""
    if "$ref" in schema:
        name = schema["$ref"].rpartition("/")[2]
        if name in seen:
            return set()
        seen.add(name)
        schema = document["components"]["schemas"][name]
    fields = schema.get("properties", {})
    inside = [*fields.values(), *schema.get("anyOf", ()), schema.get("items", {})]
    return set(fields).union(*(_fields(document, each, seen) for each in inside if each))


def _may_name(application: FastAPI) -> set[str]:
    """The addresses where whoever may not admin says a bench or a caliper, as the contract has
    them."""
    document = application.openapi()
    found = set()
    for path, operations in document["paths"].items():
        for method, operation in operations.items():
            rung = ladder.need(method.upper(), path).rung
            if method == "get" or rung is None or rung >= Rung.ADMIN:
                continue
            content = operation.get("requestBody", {}).get("content", {})
            said: set[str] = set()
            for each in content.values():
                said |= _fields(document, each["schema"], set())
            if (
                path.startswith("/api/benches/{name}/")
                or not said.isdisjoint(("bench", "caliper", "calipers"))
                # A notebook has a column for the caliper, of which its schema says nothing.
                or "text/csv" in content
            ):
                found.add(path)
    return found


@ON_SQLITE
def test_no_operation_names_what_is_new_beyond_the_limit(
    client: TestClient,
    application: FastAPI,
    server: Server,
    book: Book,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    person = Person(client)
    series = person.start()
    (known,) = person.press("12.30")
    person.post(f"/api/series/{series}/finish")
    monkeypatch.setattr(new_names, "MOST", 1)
    application.state.new_names = new_names.NewNames()
    far = far_client(application, book.add_token("phone", Rung.RUN)[1])
    assert far.post("/api/readings", json=[person.reading("1", bench="last")]).status_code == 200

    bodies: dict[str, Any] = {
        "/api/readings": [person.reading("2", bench="new")],
        "/api/refusals": [_REFUSED | {"id": known["id"], "bench": "new", "caliper": "six-inch"}],
        "/api/series": {
            "machine": person.series(series)["machine"]["id"], "method": "reversal",
            "bench": "new", "baseline": "200", "unit": "mm", "strip_side": "left",
        },
        "/api/series/{series_id}/again": {"bench": "new"},
        "/api/calipers/{name}/studies": {"method": "same-spot", "bench": "new", "person": "Jo"},
    }  # fmt: skip
    named = _may_name(application)
    in_bodies = {path for path in named if not path.startswith("/api/benches/{name}/")}
    # Whatever else takes such a name is tried here too.
    assert in_bodies - _KEEP_NONE == {*bodies, "/api/load"}
    for path in sorted(named):
        if path == "/api/load":
            answer = far.post(path, content=_NOTEBOOK, headers={"Content-Type": "text/csv"})
        else:
            name = "new" if path not in in_bodies else "six-inch"
            body = bodies.get(path, {} if path not in in_bodies else {"bench": "new"})
            answer = far.post(path.format(series_id=series, name=name), json=body)
        if path not in _KEEP_NONE:
            assert answer.status_code == 429, (path, answer.text)
    with server.engine.connect() as store:
        assert set(store.scalars(select(Bench.name))) == {"main", "last"}
        assert set(store.scalars(select(Caliper.name))) == {"six-inch"}


@ON_SQLITE
def test_who_may_press_names_no_people_without_end(
    client: TestClient,
    application: FastAPI,
    server: Server,
    book: Book,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    person = Person(client)
    person.start()
    person.press("12.30", "12.40")
    monkeypatch.setattr(new_names, "MOST", 1)
    application.state.new_names = new_names.NewNames()
    far = far_client(application, book.add_token("phone", Rung.PRESS)[1])
    swap = "/api/benches/main/swap-ends"
    for who in ("Ada", " Ada ", None):
        assert far.post(swap, json={"who": who}).status_code == 200
    for no_name in ("\ud800", "a\0b", "", 1, ["Bo"], "x" * 201):
        content = json.dumps({"who": no_name}).encode()
        answer = far.post(swap, content=content, headers={"Content-Type": "application/json"})
        assert answer.status_code == 422, answer.text
    refused = far.post(swap, json={"who": "Bo"})
    assert refused.status_code == 429, refused.text
    assert "more than 1 new benches, calipers and people in a day" in refused.json()["detail"]
    # Here, and to who may admin, there is no limit; and who is known can be named again.
    assert client.post(swap, json={"who": "Bo"}).status_code == 200
    assert far.post(swap, json={"who": "Bo"}).status_code == 200
    with server.engine.connect() as store:
        assert set(store.scalars(select(Author.name))) == {"Ada", "Bo", "phone"}
