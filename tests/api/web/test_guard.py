"""What never reaches a route: names of other hosts, pages of other sites, too large bodies."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest
from fastapi.testclient import TestClient
from starlette.types import Receive, Scope, Send

from analysis.units import mm
from api.access.book import Book
from api.access.rungs import Rung
from api.addresses import anywhere, loopback
from api.answers import notebook
from api.web.guard import LARGEST, Guard
from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE, far_client

JSON = {"Content-Type": "application/json"}
NEW = json.dumps({"name": "Window saw", "kind": "other"})


async def _app(_scope: Scope, receive: Receive, send: Send) -> None:
    while (message := await receive()).get("more_body"):
        assert message["type"] == "http.request"
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"reached"})


def _status(bound: str, host: str, *allowed: str) -> int:
    client = TestClient(Guard(_app, bound, allowed), base_url="http://127.0.0.1")
    return client.get("/", headers={"Host": host}).status_code


@pytest.mark.parametrize(
    ("bound", "host", "reached"),
    [
        ("127.0.0.1", "127.0.0.1:8017", True),
        ("127.0.0.1", "localhost", True),
        ("127.0.0.1", "LOCALHOST.:8017", True),
        ("127.0.0.1", "[::1]:8017", True),
        ("127.0.0.1", "evil.example", False),
        ("127.0.0.1", "evil.example:8017", False),
        ("127.0.0.1", "127.0.0.1.evil.example", False),
        ("127.0.0.1", "localhost.evil.example", False),
        ("127.0.0.1", "evil.example@127.0.0.1", False),
        ("127.0.0.1", "127.0.0.1:evil", False),
        ("127.0.0.1", "127.0.0.1/../evil", False),
        ("127.0.0.1", "10.0.0.5", False),
        ("127.0.0.1", "", False),
        ("10.0.0.5", "10.0.0.5:8017", True),
        ("10.0.0.5", "10.0.0.6:8017", False),
        ("shop.example", "shop.example", True),
        ("0.0.0.0", "127.0.0.7", True),  # an address of this computer, as all of 127/8 are
        ("0.0.0.0", "192.0.2.1", False),  # nobody's (RFC 5737)
        ("::", "evil.example", False),
    ],
)
def test_only_names_of_this_server_lead_to_it(bound: str, host: str, reached: bool) -> None:
    assert _status(bound, host) == (200 if reached else 421)


def test_a_name_that_was_allowed_leads_to_it() -> None:
    assert _status("0.0.0.0", "bench.example:443", "bench.example") == 200
    assert _status("0.0.0.0", "bench.example:443") == 421


def test_this_computers_own_name_leads_to_a_server_for_everybody(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("socket.gethostname", lambda: "Shop-PC.lan")
    for name in ("shop-pc.lan", "shop-pc", "shop-pc.local:8017"):
        assert _status("0.0.0.0", name) == 200
        assert _status("127.0.0.1", name) == 421


@ON_SQLITE
@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 201),
        ({"Origin": "http://127.0.0.1:8017"}, 201),
        ({"Origin": "https://127.0.0.1:8017"}, 201),  # by way of a proxy
        ({"Sec-Fetch-Site": "same-origin"}, 201),
        ({"Sec-Fetch-Site": "none"}, 201),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "http://127.0.0.1:9000"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": "file://127.0.0.1:8017"}, 403),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
        ({"Content-Type": "text/plain"}, 415),
        ({"Content-Type": "application/x-www-form-urlencoded"}, 415),
        ({"Content-Type": "application/json; charset=utf-8"}, 201),
    ],
)
def test_another_sites_page_changes_nothing(
    client: TestClient, headers: dict[str, str], status: int
) -> None:
    answer = client.post("/api/machines", content=NEW, headers=JSON | headers)
    assert answer.status_code == status, answer.text
    assert len(client.get("/api/machines").json()) == (status == 201)
    if status != 201:
        assert answer.headers["content-type"] == "application/problem+json"


@ON_SQLITE
@pytest.mark.parametrize("path", ["/api/live", "/api/health", "/api/machines"])
def test_no_address_has_a_second_form_that_limits_do_not_know(
    client: TestClient, path: str
) -> None:
    answer = client.get(f"{path}%0A")
    assert answer.status_code == 422
    assert "line break" in answer.json()["detail"]


@ON_SQLITE
def test_no_empty_post_of_another_page_takes_a_reading_back(client: TestClient) -> None:
    person = Person(client)
    series = person.start()
    person.press("12.30")
    for path in ("/api/benches/main/take-back", f"/api/series/{series}/finish"):
        assert client.post(path).status_code == 415
    assert client.post("/api/load", content="a,b", headers=JSON).status_code == 415
    assert (
        client.delete("/api/identify", headers={"Origin": "http://evil.example"}).status_code == 403
    )
    assert person.sent(series) == [["12.30"]]


def _parts(size: int) -> Iterator[bytes]:
    for _ in range(0, size, 1000):
        yield b" " * 1000


@ON_SQLITE
@pytest.mark.parametrize("path", ["/api/machines", "/api/readings", "/api/benches/main/keys"])
def test_a_body_too_large_is_not_held(client: TestClient, path: str) -> None:
    whole = client.post(path, content=b" " * (LARGEST + 1), headers=JSON)
    counted = client.post(path, content=_parts(LARGEST + 1000), headers=JSON)
    for answer in (whole, counted):
        assert answer.status_code == 413
        assert "1 MB" in answer.json()["detail"]


@ON_SQLITE
def test_a_notebook_may_be_larger(client: TestClient) -> None:
    csv = {"Content-Type": "text/csv"}
    fits = client.post("/api/load?dry_run=true", content=_parts(LARGEST + 1000), headers=csv)
    assert fits.status_code == 422  # it was read, and is no notebook
    over = client.post("/api/load", content=b" " * (notebook.LARGEST + 1), headers=csv)
    assert over.status_code == 413


def test_the_next_page_is_at_the_host_that_was_asked(client: TestClient) -> None:
    Person(client).start()
    answer = client.get("/api/trials.csv", headers={"Host": "localhost:8017"})
    assert answer.headers["link"].startswith("<http://localhost:8017/api/trials.csv")


@pytest.mark.parametrize(
    ("host", "own"),
    [
        ("127.0.0.1", True),
        ("127.9.9.9", True),
        ("::1", True),
        ("[::1]", True),
        ("::ffff:127.0.0.1", True),
        ("localhost", True),
        ("a.localhost", True),
        ("10.0.0.5", False),
        ("::ffff:10.0.0.5", False),
        ("0.0.0.0", False),
        ("localhost.example", False),
    ],
)
def test_which_peers_are_this_computer(host: str, own: bool) -> None:
    assert loopback(host) is own


def test_which_addresses_are_all_of_them() -> None:
    assert all(anywhere(host) for host in ("0.0.0.0", "::", "[::]", ""))
    assert not any(anywhere(host) for host in ("127.0.0.1", "10.0.0.5", "shop.example"))


def test_who_is_let_in_from_elsewhere_reads_and_measures(client: TestClient, book: Book) -> None:
    application: Any = client.app
    stranger = Person(far_client(application, book.add_token("saw", Rung.RUN)[1]))
    series = stranger.start()
    stranger.press("12.30", "12.40")
    assert stranger.series(series)["trials"][0]["deviation_mm"] == pytest.approx(mm(100_000))
