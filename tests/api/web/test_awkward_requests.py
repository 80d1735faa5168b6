"""No request, however awkward, is answered by a 5xx, on either engine."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any
from urllib.parse import quote

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE

TEXTS = {
    "NUL": "%00",
    "NUL within": "saw%00dust",
    "lone surrogate": "%ED%A0%80",
    "no UTF-8": "%FF%FE",
    "very long": "x" * 3000,
    "controls": "a%07%0Ab",
    "slashes": "..%2F..%5Cetc",
    "the last moment": quote("9999-12-31T23:59:59-23:59"),
    "the first moment": quote("0001-01-01T00:00:00+23:59"),
    "a huge number": "9" * 400,
    "quotes": quote("';--\"<b>"),
}
NOWHERE = "00000000-0000-7000-8000-000000000000"


def _addresses(app: FastAPI, awkward: str) -> Iterator[tuple[str, str]]:
    """Each operation once for each of its parameters, which is awkward while the rest are not."""
    for path, operations in app.openapi()["paths"].items():
        for method, operation in operations.items():
            if path == "/api/live":  # never ends; tried by itself below
                continue
            said = operation.get("parameters", [])
            places = [p["name"] for p in said if p["in"] == "path"]
            for wrong in [p["name"] for p in said if p["in"] in ("path", "query")]:
                address = path
                for place in places:
                    usual = NOWHERE if place.endswith("_id") else "main"
                    address = address.replace(
                        f"{{{place}}}", awkward if place == wrong else usual
                    ).replace(f"{{{place}:path}}", awkward if place == wrong else usual)
                query = "" if wrong in places else f"?{wrong}={awkward}"
                yield method.upper(), address + query


# PostgreSQL takes less than SQLite; what SQLite or its driver cannot take is tried there too.
SQLITE_STUMBLES = ("NUL", "lone surrogate", "the last moment", "a huge number")


@pytest.mark.parametrize(
    ("store_url", "awkward"),
    [
        *(pytest.param("postgresql", text, id=f"postgresql-{n}") for n, text in TEXTS.items()),
        *(pytest.param("sqlite", TEXTS[n], id=f"sqlite-{n}") for n in SQLITE_STUMBLES),
    ],
    indirect=["store_url"],
)
def test_an_awkward_parameter_is_refused_in_words(client: TestClient, awkward: str) -> None:
    person = Person(client)
    person.start()
    person.press("12.30", "12.40")
    tried = 0
    for method, address in _addresses(client.app, awkward):  # type: ignore[arg-type]
        kind = "text/csv" if address.startswith("/api/load") else "application/json"
        body = {"content": b"{}", "headers": {"Content-Type": kind}} if method != "GET" else {}
        answer = client.request(method, address, **body)  # type: ignore[arg-type]
        assert answer.status_code < 500, (method, address[:200], answer.text[:300])
        tried += 1
    assert tried > 60
    for page in (f"/bench/{awkward}", f"/machine/{awkward}", f"/series/{awkward}"):
        answer = client.get(page, headers={"Accept": "text/html"})
        assert answer.status_code < 500, (page, answer.text[:300])
        assert answer.status_code == 200 or "<h1>" in answer.text


def test_a_bench_that_cannot_be_has_no_stream(client: TestClient) -> None:
    for name in ("%00", "a%2Fb", "a%0Ab", "x" * 300):
        assert client.get(f"/api/live?bench={name}").status_code == 422
        assert client.get(f"/api/benches/{name}").status_code in (404, 422)


BODIES: list[tuple[str, dict[str, Any]]] = [
    ("/api/machines", {"name": "saw", "kind": "other"}),
    ("/api/series", {"machine": "Window saw", "method": "reversal", "baseline": "200"}),
    ("/api/setup-changes", {"machine": "Window saw", "kind": "adjusted", "note": "a"}),
    ("/api/calipers", {"spec": "serial:/dev/null", "name": "a", "bench": "main"}),
    ("/api/benches/main/ask", {"caliper": "a"}),
    ("/api/benches/main/keys", {"id": NOWHERE, "strokes": [], "taken_at": "2026-03-02T12:00:00Z"}),
    ("/api/identify/shown", {"value": "12.3"}),
    ("/api/calipers/a/studies", {"method": "known-block", "block": "10", "person": "Jo"}),
]


@pytest.mark.parametrize(
    "text", ["\0", "saw\0dust", "\ud800", "x" * 10_000, "9999-12-31T23:59:59-23:59"]
)
def test_an_awkward_text_in_a_body_is_refused_in_words(client: TestClient, text: str) -> None:
    Person(client).start()
    for path, body, field in [(p, whole, name) for p, whole in BODIES for name in whole]:
        answer = client.post(
            path,
            content=json.dumps(body | {field: text}),
            headers={"Content-Type": "application/json"},
        )
        assert 400 <= answer.status_code < 500 or (answer.is_success and "\0" not in text), (
            path,
            field,
            answer.text[:300],
        )
        if answer.status_code >= 400:
            assert answer.json()["detail"]


@pytest.mark.parametrize("path", ["/api/readings", "/api/refusals"])
def test_an_id_that_is_no_text_is_refused_and_shown_as_it_was_spelled(
    client: TestClient, path: str
) -> None:
    answer = client.post(
        path, content=rb'[{"id": "\ud800"}]', headers={"Content-Type": "application/json"}
    )
    assert answer.status_code == 422
    assert [each["id"] for each in answer.json()["refused"]] == [r"\ud800"]


@ON_SQLITE
@pytest.mark.parametrize("field", ["leave_alone", "leave_alone_later", "also", "listen_to"])
def test_a_device_with_a_nul_in_its_name_is_refused(client: TestClient, field: str) -> None:
    answer = client.post("/api/identify", json={field: ["serial:/dev/a\0b,unit=mm"]})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["field"] == field
