"""The application whole: every address under one contract, on a server of its own."""

from __future__ import annotations

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from api import VERSION
from api.server import Server
from api.settings import Settings
from api.web.app import build
from tests.api.conftest import local_client


def test_the_contract_names_the_program(application: FastAPI) -> None:
    told = application.openapi()
    assert (told["info"]["title"], told["info"]["version"]) == ("bothends", VERSION)


def test_the_pages_that_would_load_scripts_from_elsewhere_are_not_served(
    client: TestClient,
) -> None:
    for path in ("/docs", "/redoc"):
        assert client.get(path).status_code == 404
    assert client.get("/openapi.json").status_code == 200


@pytest.mark.parametrize(
    "path",
    ["/bench/main", "/machines", "/works", "/series", "/compare", "/plan", "/instruments"],
)
def test_every_part_has_its_page_in_an_empty_shop(client: TestClient, path: str) -> None:
    answer = client.get(path)
    assert (answer.status_code, answer.headers["content-type"]) == (200, "text/html; charset=utf-8")


def test_a_long_answer_is_compressed_and_a_short_one_is_not(client: TestClient) -> None:
    assert client.get("/openapi.json").headers.get("content-encoding") == "gzip"
    assert "content-encoding" not in client.get("/api/machines").headers


def test_two_applications_in_one_process_share_nothing(tmp_path) -> None:
    one, other = (Server(Settings(data=tmp_path / name)) for name in ("one", "other"))
    with local_client(build(one)) as here, local_client(build(other)) as there:
        here.post("/api/machines", json={"name": "Sled", "kind": "other"})
        assert [m["name"] for m in here.get("/api/machines").json()] == ["Sled"]
        assert there.get("/api/machines").json() == []
    one.close()
    other.close()
