"""HEAD, OPTIONS and the methods that an address does not take."""

from __future__ import annotations

import pytest
from fastapi.testclient import TestClient

from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE

pytestmark = ON_SQLITE


@pytest.mark.parametrize(
    "address",
    [
        "/api/machines",
        "/api/health",
        "/api/trials.csv",
        "/api/trials.xlsx",
        "/api/readings.senml",
        "/api/history.zip",
        "/openapi.json",
        "/machines",
        "/bench/main",
        "/static/base.css",
        "/api/nothing",
        "/api/machines?limt=3",
    ],
)
def test_head_says_what_get_says_without_the_body(client: TestClient, address: str) -> None:
    Person(client).start()
    for encoding in ("identity", "gzip"):
        asked = {"Accept-Encoding": encoding}
        whole, head = (client.request(m, address, headers=asked) for m in ("GET", "HEAD"))
        assert (head.status_code, head.content) == (whole.status_code, b""), address
        assert {**head.headers, "date": ""} == {**whole.headers, "date": ""}, address


def test_head_of_an_export_makes_no_rows(client: TestClient, monkeypatch) -> None:
    person = Person(client)
    person.start()
    person.press("12.30", "12.40")
    written = []
    from api.exports import xlsx

    write = xlsx._write

    def seen(table, blocks, file):
        blocks = list(blocks)
        written.append(sum(len(block[0]) for block in blocks))
        write(table, iter(blocks), file)

    monkeypatch.setattr(xlsx, "_write", seen)
    head = client.head("/api/readings.xlsx")
    assert (head.status_code, head.headers["expected-rows"]) == (200, "2")
    assert client.get("/api/readings.xlsx").status_code == 200
    assert written == [0, 2]


def test_head_of_the_live_stream_ends(client: TestClient) -> None:
    answer = client.head("/api/live?bench=main")
    assert (answer.status_code, answer.content) == (200, b"")
    assert answer.headers["content-type"] == "text/event-stream; charset=utf-8"
    assert client.app.state.live.readers == 0


@pytest.mark.parametrize(
    ("address", "taken"),
    [
        ("/api/machines", "GET, HEAD, OPTIONS, POST"),
        ("/api/readings", "OPTIONS, POST"),
        ("/api/identify", "DELETE, GET, HEAD, OPTIONS, POST"),
        ("/api/calipers/six-inch", "DELETE, OPTIONS, PATCH"),
        ("/api/live", "GET, HEAD, OPTIONS"),
        ("/api/trials.csv", "GET, HEAD, OPTIONS"),
        ("/machines", "GET, HEAD, OPTIONS"),
        ("/static/base.css", "GET, HEAD, OPTIONS"),
        ("/openapi.json", "GET, HEAD, OPTIONS"),
    ],
)
def test_an_address_names_its_methods(client: TestClient, address: str, taken: str) -> None:
    asked = client.options(address)
    assert (asked.status_code, asked.headers["allow"], asked.content) == (204, taken, b"")
    refused = client.put(address, json={})
    assert (refused.status_code, refused.headers["allow"]) == (405, taken)
    assert refused.json()["detail"] == f"this address does not take PUT; it takes {taken}"
    # No other type of the body would help.
    assert client.put(address, content="a").status_code == 405


def test_nothing_is_at_an_address_whatever_the_method(client: TestClient) -> None:
    for method in ("OPTIONS", "HEAD", "GET", "PUT"):
        answer = client.request(
            method, "/api/nothing", headers={"Content-Type": "application/json"}
        )
        assert answer.status_code == 404
        assert "allow" not in answer.headers


def test_no_page_of_another_site_is_let_in_by_what_options_says(client: TestClient) -> None:
    asks = {"Origin": "http://evil.example", "Access-Control-Request-Method": "POST"}
    answer = client.options("/api/machines", headers=asks)
    assert not [name for name in answer.headers if name.startswith("access-control")]
