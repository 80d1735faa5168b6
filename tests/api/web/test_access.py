"""Letting somebody in from another computer, and letting them in no more."""

from __future__ import annotations

import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from starlette.types import Message

from api.access import book as module
from api.access.book import Book, Pass
from api.access.rungs import Rung
from api.access.tries import MOST_A_MINUTE
from api.server import Server
from api.web.admitted import Admitted
from api.web.ladder import NAMED
from api.web.visitors import Visitor, visitor
from tests.api.bench import Person
from tests.api.conftest import LAN_HOST, far_client, on_sqlite_unless_said

pytest_generate_tests = on_sqlite_unless_said


def joined(application: FastAPI, book: Book, rung: Rung, **more: Any) -> TestClient:
    """Somebody on another computer whose device was let in."""
    who = far_client(application)
    answer = who.post("/api/access/join", json={"code": book.invite(rung, **more)[1]})
    assert answer.status_code == 200
    return who


def test_without_access_nothing_is_said(
    client: TestClient, application: FastAPI, book: Book
) -> None:
    far = far_client(application)
    answer = far.get("/api/machines")
    assert answer.status_code == 401
    assert answer.headers["www-authenticate"] == "Bearer"
    assert "bothends access invite" in answer.json()["detail"]
    assert "bothends token add" in answer.json()["detail"]
    assert far.get("/api/health").json() == {"status": "alive"}
    assert client.get("/api/health").json()["status"] == "ok"
    door = far.get("/series", headers={"Accept": "text/html"})
    assert (door.status_code, door.headers["content-type"][:9]) == (401, "text/html")
    assert "no-store" in door.headers["cache-control"]
    # Not even what parts there are, or how the backups stand.
    assert "<nav" not in door.text
    # A body is not read: it could be as large as it likes.
    assert far.post("/api/readings", json=[{}] * 100).status_code == 401
    assert far.get("/api/access/me").json()["may"] is None
    assert client.get("/api/access/me").json() == {
        "local": True, "name": None, "may": "admin", "benches": None,
    }  # fmt: skip
    assert book.passes() == []


def test_a_code_is_traded_for_a_cookie(
    client: TestClient, application: FastAPI, book: Book
) -> None:
    far = far_client(application)
    code = book.invite(Rung.RUN)[1]
    answer = far.post("/api/access/join", json={"code": code.lower(), "name": "  saw phone "})
    assert answer.json() == {
        "local": False, "name": "saw phone", "may": "run", "benches": None,
    }  # fmt: skip
    said = answer.headers["set-cookie"]
    name, rest = said.split("=", 1)
    assert name == "bothends-8017"
    value, *attributes = rest.split("; ")
    assert re.fullmatch(r"[\w-]{43}", value)
    assert attributes == ["Max-Age=7776000", "Path=/", "HttpOnly", "SameSite=Strict"]
    person = Person(far)
    series = person.start()
    person.press("12.30", "12.40")
    assert len(person.series(series)["trials"]) == 1
    assert far.post("/api/access/join", json={"code": code}).status_code == 403
    assert client.get("/api/access").json()["passes"][0]["name"] == "saw phone"


@pytest.mark.parametrize(
    "name",
    ["\x1b[2Jphone", "phone\nadmin  token", "\u202ephone", "p" * 65, " ", "\u3164", "ph\u034fone"],
)
def test_a_device_writes_nothing_into_the_list_but_its_name(
    application: FastAPI, book: Book, name: str
) -> None:
    """A terminal shows that list: it would obey what is no plain word."""
    far, code = far_client(application), book.invite(Rung.READ)[1]
    refused = far.post("/api/access/join", json={"code": code, "name": name})
    assert refused.status_code == 422, refused.text
    # The code is not used up by it.
    assert book.passes() == []
    assert far.post("/api/access/join", json={"code": code, "name": "phone"}).status_code == 200
    assert [each.name for each in book.passes()] == ["phone"]


def test_the_cookie_is_secure_under_tls(application: FastAPI, book: Book) -> None:
    far = TestClient(application, base_url=f"https://{LAN_HOST}", client=("10.0.0.7", 5))
    answer = far.post("/api/access/join", json={"code": book.invite(Rung.READ)[1]})
    assert answer.headers["set-cookie"].endswith("; SameSite=Strict; Secure")
    assert answer.headers["set-cookie"].startswith("bothends-443=")
    assert far.get("/api/machines").status_code == 200


def test_a_cookie_is_renewed_by_its_use_and_taken_away_by_leaving(
    client: TestClient, application: FastAPI, book: Book
) -> None:
    far = joined(application, book, Rung.READ)
    first = far.get("/api/machines")
    assert "Max-Age=7776000" in first.headers["set-cookie"]
    assert "set-cookie" not in far.get("/api/machines").headers  # once a minute is enough
    (made,) = client.get("/api/access").json()["passes"]
    assert made["last_used_at"] is not None
    left = far.post("/api/access/leave", json={})
    assert "Max-Age=0" in left.headers["set-cookie"]
    assert left.headers["set-cookie"].count("bothends-") == 1
    assert far.get("/api/machines").status_code == 401
    assert book.passes() == []


def test_codes_are_guessed_five_times_a_minute(application: FastAPI, book: Book) -> None:
    far, code = far_client(application), book.invite(Rung.READ)[1]
    for _ in range(MOST_A_MINUTE):
        answer = far.post("/api/access/join", json={"code": "AAAAA-AAAAA"})
        assert answer.status_code == 403
        assert "10 minutes" in answer.json()["detail"]
    refused = far.post("/api/access/join", json={"code": code})
    assert refused.status_code == 429
    assert 0 < int(refused.headers["retry-after"]) <= 60
    # Somebody else is not kept out by it.
    other = TestClient(application, base_url=f"http://{LAN_HOST}:8017", client=("10.0.0.8", 5))
    assert other.post("/api/access/join", json={"code": code}).status_code == 200


def test_nobody_invites_to_more_than_they_may(application: FastAPI, book: Book) -> None:
    far = joined(application, book, Rung.RUN)
    answer = far.post("/api/access/invitations", json={"may": "run", "name": "second phone"})
    assert answer.status_code == 201
    made = answer.json()
    assert made["address"].startswith(f"http://{LAN_HOST}:8017/#join=")
    assert made["drawn"].startswith("<svg")
    code = made["address"].partition("#join=")[2]
    second = far_client(application)
    assert second.post("/api/access/join", json={"code": code}).json()["name"] == "second phone"
    far.post("/api/access/invitations", json={"name": "third"})
    listed = joined(application, book, Rung.ADMIN).get("/api/access").json()
    inviter = far.get("/api/access/me").json()["name"]
    assert {each["name"]: each["invited_by"] for each in listed["passes"]} == {
        "second phone": inviter,
        inviter: None,
        next(each["name"] for each in listed["passes"] if each["own"]): None,
    }
    assert [each["invited_by"] for each in listed["invitations"]] == [inviter]
    refused = far.post("/api/access/invitations", json={"may": "admin"})
    assert refused.status_code == 422
    assert "at most run" in refused.json()["detail"]
    reader = joined(application, book, Rung.READ)
    assert reader.post("/api/access/invitations", json={"may": "read"}).status_code == 403


def test_only_who_may_press_alone_is_kept_to_a_bench(application: FastAPI, book: Book) -> None:
    far = joined(application, book, Rung.RUN)
    for may in ("read", "run"):
        answer = far.post("/api/access/invitations", json={"may": may, "bench": "saw"})
        assert (answer.status_code, "is for may: press" in answer.text) == (422, True)
    assert book.invitations() == []
    far.post("/api/access/invitations", json={"may": "press", "bench": "saw"})
    assert [each.benches for each in book.invitations()] == [("saw",)]


def test_a_book_that_cannot_be_used_is_said_in_a_sentence(
    client: TestClient, application: FastAPI, book: Book, monkeypatch: pytest.MonkeyPatch
) -> None:
    far = joined(application, book, Rung.RUN)
    monkeypatch.setattr(module, "MOST_INVITATIONS", 0)
    answer = far.post("/api/access/invitations", json={})
    assert answer.status_code == 409
    assert "invitations are open" in answer.json()["detail"]
    book.close()
    # To a stranger too, whom the place of its file does not concern.
    tried = far_client(application).post("/api/access/join", json={"code": "AAAAA-AAAAA"})
    for answer in (tried, client.get("/api/access"), client.delete("/api/access/x")):
        assert answer.status_code == 503
        assert "the program's log says why" in answer.json()["detail"]


def test_who_may_admin_ends_any_access(application: FastAPI, book: Book) -> None:
    admin, phone = joined(application, book, Rung.ADMIN), joined(application, book, Rung.RUN)
    book.invite(Rung.READ, "not used")
    said = admin.get("/api/access").json()
    assert [(each["kind"], each["may"], each["own"]) for each in said["passes"]] == [
        ("device", "admin", True),
        ("device", "run", False),
    ]
    assert [each["name"] for each in said["invitations"]] == ["not used"]
    for each in (said["passes"][1], said["invitations"][0]):
        assert admin.delete(f"/api/access/{each['id']}").status_code == 200
        assert admin.delete(f"/api/access/{each['id']}").status_code == 404
    assert phone.get("/api/machines").status_code == 401
    assert book.invitations() == []


def test_a_token_for_one_bench_sends_no_other_readings(
    client: TestClient, application: FastAPI, book: Book
) -> None:
    far = far_client(application, book.add_token("bench 2", Rung.PRESS, ["two"])[1])
    reading = {
        "id": "01939d3e-7c1a-7000-8000-000000000001", "bench": "two", "caliper": "six-inch",
        "sent": "12.30", "unit": "mm", "taken_at": "2026-03-02T12:00:00Z",
    }  # fmt: skip
    assert far.post("/api/readings", json=[reading]).json()["stored"] == 1
    other = {**reading, "id": "01939d3e-7c1a-7000-8000-000000000002", "bench": "main"}
    both = [{**reading, "id": "01939d3e-7c1a-7000-8000-000000000003"}, other]
    for body in ([other], both):
        answer = far.post("/api/readings", json=body)
        assert answer.status_code == 403
        assert "bench two, not of main" in answer.json()["detail"]
    assert client.get("/api/benches/main").json()["last_reading"] is None
    refusal = {
        "id": "01939d3e-7c1a-7000-8000-000000000004", "bench": "main", "caliper": "six-inch",
        "text": "?", "reason": "no number", "heard_at": "2026-03-02T12:00:00Z",
    }  # fmt: skip
    assert far.post("/api/refusals", json=[refusal]).status_code == 403
    # Whatever else needs press without a bench in its address has to be tried here.
    pressed = {path for _, path in NAMED[Rung.PRESS] if "{name}" not in path}
    assert pressed == {"/api/readings", "/api/refusals"}
    own = far.post("/api/benches/two/take-back", json={})
    assert (own.status_code, own.json()["detail"][:8]) == (409, "no serie")
    assert far.post("/api/benches/main/take-back", json={}).status_code == 403
    assert far.get("/api/benches/main").status_code == 200


def test_a_pass_is_shown_by_one_way_at_a_time(application: FastAPI, book: Book) -> None:
    far = joined(application, book, Rung.RUN)
    # A program that shows a wrong token is not let in by a cookie that happens to be there.
    for said in ("Bearer bothends_wrong", "Basic dXNlcjpwYXNz", "Bearer", ""):
        assert far.get("/api/machines", headers={"Authorization": said}).status_code == 401
    assert far.get("/api/machines").status_code == 200


@pytest.mark.parametrize(
    "header",
    ["X-Forwarded-For", "X-Real-IP", "Forwarded", "X-Forwarded-Host", "X-Forwarded-Proto", "Via"],
)
def test_who_comes_through_a_proxy_that_is_not_announced_is_not_local(
    client: TestClient, header: str
) -> None:
    answer = client.get("/api/machines", headers={header: "127.0.0.1"})
    assert answer.status_code == 401
    assert "--behind" in answer.json()["detail"]


def test_a_stream_ends_soon_after_its_pass(
    monkeypatch: pytest.MonkeyPatch,
    application: FastAPI,
    book: Book,
    caplog: pytest.LogCaptureFixture,
) -> None:
    import asyncio

    from api.web import admitted

    made, _ = book.add_token("reader", Rung.READ)
    monkeypatch.setattr(admitted, "_LOOK_AGAIN_S", 0.0)
    sent: list[Message] = []

    async def stream(_scope: Any, _receive: Any, send: Any) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})
        for _ in range(3):
            await send({"type": "http.response.body", "body": b"x", "more_body": True})
        book.revoke(made.id)
        await send({"type": "http.response.body", "body": b"secret", "more_body": True})

    async def send(message: Message) -> None:
        sent.append(message)

    async def receive() -> Message:
        raise AssertionError("nothing is read")

    scope = {
        "type": "http", "method": "GET", "path": "/api/live", "headers": [], "query_string": b"",
        "app": application,
        "bothends.visitor": Visitor("a", "b", pass_id=made.id, name="reader", rung=Rung.READ),
    }  # fmt: skip
    # A thread of its own: the browser of other tests keeps a loop running in this one.
    with ThreadPoolExecutor(1) as thread:
        thread.submit(lambda: asyncio.run(Admitted(stream)(scope, receive, send))).result()
    # No end is sent, and the log says it in a line.
    assert [each.get("body") for each in sent] == [None, b"x", b"x", b"x"]
    assert [each.getMessage() for each in caplog.records] == [
        "reader is let in no more: what it was reading has ended"
    ]


def test_a_body_that_ends_after_its_pass_changes_nothing(
    monkeypatch: pytest.MonkeyPatch, client: TestClient, application: FastAPI, book: Book
) -> None:
    """It may be hours in coming."""
    from api.web import admitted

    monkeypatch.setattr(admitted, "_LOOK_AGAIN_S", -1.0)
    for path, kind, whole in (
        ("/api/machines", "application/json", b'{"name": "late"}'),
        ("/api/readings", "application/json", b'[{"caliper": "late"}]'),
        ("/api/load", "text/csv", b"machine,strip\nlate,1\n"),
    ):
        made, token = book.add_token("leaver", Rung.RUN)

        def body(whole: bytes = whole, made: Pass = made) -> Iterator[bytes]:
            yield whole[:5]
            book.revoke(made.id)
            yield whole[5:]

        far = far_client(application, token)
        answer = far.post(path, content=body(), headers={"Content-Type": kind})
        assert (answer.status_code, answer.headers["www-authenticate"]) == (401, "Bearer"), path
        assert "was ended before the request was whole" in answer.json()["detail"]
    assert client.get("/api/machines").json() == []


def test_a_request_that_nothing_has_looked_at_is_nobodys() -> None:
    assert visitor({"type": "http"}).rung is None


@pytest.mark.usefixtures("book")
def test_a_request_without_an_address_is_nobodys(application: FastAPI) -> None:
    who = TestClient(application, base_url=f"http://{LAN_HOST}:8017", client=None)  # type: ignore[arg-type]
    assert who.get("/api/machines").status_code == 401
    assert who.get("/api/access/me").json()["local"] is False


def test_a_server_for_its_own_computer_invites_nobody(client: TestClient, server: Server) -> None:
    assert server.access is None
    answer = client.post("/api/access/invitations", json={})
    assert answer.status_code == 409
    assert "--host" in answer.json()["detail"]
    assert client.get("/api/access").json() == {"passes": [], "invitations": []}
