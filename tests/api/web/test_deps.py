"""Who may have the server open its devices: people at its own computer."""

from __future__ import annotations

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from starlette.requests import Request

from api.web.deps import on_this_computer
from tests.api.conftest import LAN_HOST


def came_from(client: tuple[str, int] | None) -> Request:
    return Request({"type": "http", "headers": [], "client": client})


@pytest.mark.parametrize(
    ("host", "here"),
    [
        ("127.0.0.1", True),
        ("127.8.0.1", True),
        ("::1", True),
        ("::ffff:127.0.0.1", True),
        ("10.0.0.7", False),
        ("::ffff:10.0.0.7", False),
        ("0.0.0.0", False),
        ("127.0.0.1.example", False),
        ("", False),
    ],
)
def test_only_loopback_addresses_are_this_computer(host, here):
    assert on_this_computer(came_from((host, 50_000))) == here


def test_a_socket_without_addresses_is_on_this_computer():
    assert on_this_computer(came_from(None))


def test_a_route_for_this_computer_alone_is_refused_elsewhere(
    client: TestClient, application: FastAPI
) -> None:
    asked = {"spec": "nonsense"}
    assert client.post("/api/calipers", json=asked).status_code == 422
    far = TestClient(application, base_url=f"http://{LAN_HOST}", client=("10.0.0.7", 50_000))
    answer = far.post("/api/calipers", json=asked)
    assert answer.status_code == 403
    assert "on the server's own computer" in answer.json()["detail"]
    assert far.get("/api/machines").status_code == 200
