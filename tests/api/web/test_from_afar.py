"""What another computer may have the server open: what is plugged in and listed, where it may do
everything else; any device and address only at the server's own computer, or where that was said.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from api.access.book import Book
from api.access.rungs import Rung
from api.instruments.plugged_in import PluggedIn
from api.server import Server
from api.settings import CALIPERS_FILE
from api.web.pages.instruments import view
from api.web.routes import calipers
from capture.finding import Found
from capture.spec import parse_spec
from tests.api.conftest import ON_SQLITE, far_client

pytestmark = ON_SQLITE

CONVERTER = {"spec": "serial:socket://127.0.0.1:9"}


@pytest.fixture
def far(client: TestClient, book: Book) -> TestClient:
    """Somebody on another computer who may do everything."""
    application: Any = client.app
    return far_client(application, book.add_token("office", Rung.ADMIN)[1])


def test_an_admin_elsewhere_adds_what_is_listed_and_takes_it_away(
    far: TestClient, server: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    device = str(tmp_path / "port")  # not plugged in any more: it is waited for
    listed = [Found("serial", device, f"serial:{device}", "a port")]
    monkeypatch.setattr(calipers, "listed", lambda: listed)
    name = "a,request=x,bench=y"
    added = far.post("/api/calipers", json={"spec": f"serial:{device},baud=4800", "name": name})
    assert added.status_code == 201
    # Also after the next start the name is a name.
    (line,) = json.loads((server.settings.data / CALIPERS_FILE).read_text())["calipers"]
    again = parse_spec(line)
    assert (again.name, again.request, again.bench, again.target) == (name, None, "main", device)
    assert far.delete(f"/api/calipers/{name}").status_code == 200


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/api/calipers", CONVERTER),
        ("/api/calipers", {"spec": "serial:/dev/null"}),
        ("/api/calipers", {"spec": "keys:/dev/input/event0"}),
        ("/api/identify", {"also": ["socket://127.0.0.1:9"]}),
        ("/api/identify", {"listen_to": ["/dev/input/event0"]}),
    ],
)
def test_an_admin_elsewhere_has_nothing_else_opened(
    far: TestClient, client: TestClient, path: str, body: dict[str, Any]
) -> None:
    answer = far.post(path, json=body)
    assert answer.status_code == 403
    assert "--allow-network-calipers" in answer.json()["detail"]
    assert client.get("/api/instruments").json()["calipers"] == []
    assert client.get("/api/identify").json()["state"] == "none"


def test_a_server_that_was_told_so_opens_an_address_for_an_admin_elsewhere(
    far: TestClient, client: TestClient, server: Server
) -> None:
    server.settings = replace(server.settings, allow_network_calipers=True)
    assert far.post("/api/calipers", json=CONVERTER).status_code == 201
    assert far.post("/api/calipers", json={"spec": "serial:loop://"}).status_code == 422
    page = far.get("/instruments", headers={"Accept": "text/html"}).text
    assert "notice calm" not in page
    assert '<section aria-labelledby="describe-title">' in page
    gone = client.delete("/api/calipers/127.0.0.1-9")
    assert gone.status_code == 200, gone.text


def test_the_page_offers_each_what_they_may(
    client: TestClient, book: Book, monkeypatch: pytest.MonkeyPatch
) -> None:
    there = [Found("serial", "/dev/p", "serial:/dev/p", "a port")]
    there.append(Found("keys", "/dev/k", "keys:/dev/k", "a keyboard"))
    monkeypatch.setattr(view, "plugged_in", lambda _: [PluggedIn(each, None) for each in there])
    application: FastAPI = client.app  # type: ignore[assignment]
    tokens = {rung: book.add_token(rung.word, rung)[1] for rung in (Rung.RUN, Rung.ADMIN)}
    here, admin, other = (
        who.get("/instruments", headers={"Accept": "text/html"}).text
        for who in (client, *(far_client(application, tokens[r]) for r in (Rung.ADMIN, Rung.RUN)))
    )
    identify = '<section class="identify" aria-labelledby="identify-title"'
    describe = '<section aria-labelledby="describe-title"'
    assert (f"{identify}>" in here, f"{describe}>" in here) == (True, True)
    assert (f"{identify}>" in admin, f"{describe} hidden>" in admin) == (True, True)
    assert (f"{identify} hidden>" in other, f"{describe} hidden>" in other) == (True, True)
    assert [page.count("<form data-listen") for page in (here, admin, other)] == [2, 1, 0]
    assert "notice calm" not in here
    assert "--allow-network-calipers" in admin
    assert "invited to do everything" in other
