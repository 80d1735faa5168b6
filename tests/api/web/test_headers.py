"""What a browser may do with an answer stands on each of them, whichever part answers."""

from __future__ import annotations

import re

import pytest
from fastapi import Response
from fastapi.testclient import TestClient

from api.web.headers import SafeAnswers
from tests.api.bench import Person
from tests.api.conftest import LAN_HOST, ON_SQLITE
from tests.api.safe import assert_safe
from tests.api.web.failing import PATH, failing

PAGE = {"Accept": "text/html"}
JSON = {"Content-Type": "application/json"}
NOWHERE = "00000000-0000-7000-8000-000000000000"


@ON_SQLITE
@pytest.mark.parametrize(
    ("status", "method", "address", "headers"),
    [
        (200, "GET", "/", PAGE),
        (200, "GET", "/help/all", PAGE),
        (200, "GET", "/static/base.css", {}),
        (200, "GET", "/static/shared/icon.svg", {}),
        (200, "GET", "/api/machines", {}),
        (200, "GET", "/openapi.json", {}),
        (200, "GET", "/api/trials.csv", {}),
        (200, "GET", "/api/history.zip", {}),
        (200, "HEAD", "/", PAGE),
        (200, "HEAD", "/api/live?bench=main", {}),
        (204, "OPTIONS", "/api/machines", {}),
        (403, "POST", "/api/machines", {"Origin": "http://evil.example"}),
        (404, "GET", "/nowhere", PAGE),
        (404, "GET", "/static/nowhere.js", {}),
        (404, "GET", "/api/nowhere", {}),
        (405, "PUT", "/api/machines", {}),
        (405, "POST", "/static/base.css", JSON),
        (413, "POST", "/api/machines", JSON | {"Content-Length": "9" * 9}),
        (415, "POST", "/api/machines", {"Content-Type": "text/plain"}),
        (421, "GET", "/", PAGE | {"Host": "evil.example"}),
        (422, "GET", "/a%00b", PAGE),
        (422, "GET", "/api/machines?no=1", {}),
    ],
)  # fmt: skip
def test_every_kind_of_answer_has_them(
    client: TestClient, status: int, method: str, address: str, headers: dict[str, str]
) -> None:
    answer = client.request(method, address, headers=headers)
    assert answer.status_code == status
    assert_safe(answer)


@ON_SQLITE
def test_what_has_not_changed_has_them_too(client: TestClient) -> None:
    tag = client.get("/api/trials.csv").headers["ETag"]
    same = client.get("/api/trials.csv", headers={"If-None-Match": tag})
    assert same.status_code == 304
    assert_safe(same)


@ON_SQLITE
def test_every_operation_of_the_document_answers_with_them(client: TestClient) -> None:
    Person(client).start()
    tried = 0
    for path, operations in client.app.openapi()["paths"].items():  # type: ignore[attr-defined]
        address = re.sub(r"\{\w+_id\}", NOWHERE, path)
        address = re.sub(r"\{[\w:]+\}", "main", address)
        for method in operations:
            endless = path == "/api/live"
            kind = "text/csv" if path == "/api/load" else "application/json"
            answer = client.request(
                "HEAD" if endless else method.upper(),
                address,
                content=b"{}" if method in ("post", "patch", "put") else None,
                headers={"Content-Type": kind},
            )
            assert_safe(answer)
            tried += 1
    assert tried > 60


@ON_SQLITE
def test_a_failure_of_the_program_has_them(client: TestClient) -> None:
    browser = failing(client)
    for headers in (PAGE, {"Accept": "application/json"}):
        answer = browser.get(PATH, headers=headers)
        assert answer.status_code == 500
        assert_safe(answer)


def _kept(client: TestClient, address: str) -> str:
    return client.get(address).headers["cache-control"]


@ON_SQLITE
def test_what_shows_peoples_data_is_kept_by_nobody_in_between(client: TestClient) -> None:
    Person(client).start()
    for address in ("/", "/machines", "/api/machines", "/api/trials.csv", "/api/nowhere"):
        assert _kept(client, address) == "private, no-cache", address
    assert _kept(client, "/static/base.css") == "no-cache"
    assert client.head("/api/live?bench=main").headers["cache-control"] == "no-store"


@pytest.mark.parametrize(
    ("status", "path"), [(200, "/api/access"), (200, "/api/access/me"), (401, "/"), (403, "/")]
)
def test_what_is_secret_is_not_kept_at_all(status: int, path: str) -> None:
    answer = TestClient(SafeAnswers(Response("code", status))).get(path)
    assert answer.headers["cache-control"] == "no-store"


def test_no_cache_keeps_a_cookie_with_a_file_that_it_may_keep() -> None:
    file = Response("{}", headers={"Cache-Control": "public, immutable", "Set-Cookie": "pass=1"})
    answer = TestClient(SafeAnswers(file)).get("/static/base.css")
    assert answer.headers.get_list("cache-control") == ["no-store"]


@ON_SQLITE
def test_a_page_has_a_window_of_its_own_where_a_browser_heeds_that(client: TestClient) -> None:
    """Over plain HTTP from another computer it would only complain of it."""
    phone, encrypted = (
        TestClient(client.app, base_url=f"{scheme}://{LAN_HOST}:8017", client=("10.0.0.9", 50_000))
        for scheme in ("http", "https")
    )
    answers = [each.get("/", headers=PAGE) for each in (client, encrypted, phone)]
    said = [each.headers.get("cross-origin-opener-policy") for each in answers]
    assert said == ["same-origin", "same-origin", None]
    for each in answers:
        assert_safe(each)
