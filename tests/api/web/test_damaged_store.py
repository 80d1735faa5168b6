"""Whatever page of a store is damaged, every address answers what can be read, or says so."""

from __future__ import annotations

import asyncio
import random
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from fastapi import FastAPI, Request
from fastapi.testclient import TestClient
from sqlalchemy import Engine

from api.server import Server
from api.settings import Settings
from api.store.engine import file_in
from api.web.app import build
from api.web.routes.live import follow_events
from tests.api.bench import Person
from tests.api.conftest import local_client
from tests.api.damage import PAGE, number_of_pages, overwrite, small_store
from tests.api.stores import change

PARTS = 8
TURNS = 3
"""Of the addresses, each damaged page is tried with every third, the next page with the next ones:
all of them for each page would take a minute."""


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_store(tmp_path_factory.mktemp("whole") / "bothends.sqlite")


@pytest.fixture(scope="module")
def addresses(application: FastAPI, whole: Path) -> list[str]:
    """Every page, and every address of the API that can be read."""
    with closing(sqlite3.connect(whole)) as store:
        (machine,) = store.execute("SELECT id FROM machines LIMIT 1").fetchone()
        (first, second) = (row[0] for row in store.execute("SELECT id FROM series LIMIT 2"))
        (stop,) = store.execute("SELECT id FROM stops LIMIT 1").fetchone()
        (work,) = store.execute("SELECT id FROM works LIMIT 1").fetchone()
    ids = {"machine_id": machine, "series_id": first, "name": "main"}
    ids |= {"caliper": "main caliper", "machine": machine, "stop_id": stop, "work_id": work}
    found = []
    for path, operations in application.openapi()["paths"].items():
        # A stream never ends; a process for each Parquet file would take minutes.
        if "get" in operations and path != "/api/live" and not path.endswith(".parquet"):
            for name, value in ids.items():
                path = path.replace(f"{{{name}}}", value).replace(f"{{{name}:path}}", value)
            found.append(path)
    assert not [path for path in found if "{" in path]
    found += [f"/api/compare?a={first}&b={second}", "/api/machines/Window%20saw/history"]
    found += ["/", "/bench/side", "/machines", f"/machine/{machine}", f"/machine/{machine}/mend"]
    found += ["/series", f"/series/{first}", f"/series/{first}/report", "/compare", "/plan"]
    found += [f"/compare?a={first}&b={second}", "/instruments", "/guide/reversal"]
    return found


def _ask_all(client: TestClient, addresses: list[str], where: str) -> None:
    """An exception that nobody handles, which would write a traceback, is raised here."""
    for address in addresses:
        accept = "application/json" if address.startswith("/api/") else "text/html"
        answer = client.get(address, headers={"Accept": accept})
        assert answer.status_code != 500, (where, address, answer.text[:500])
        if answer.status_code >= 400:
            said = answer.text
            if accept == "application/json":
                said = answer.json().get("detail") or answer.json()["message"]
            assert len(said) > 10, (where, address)
        assert "sqlalche" not in answer.text.lower()


@pytest.mark.parametrize("part", range(PARTS))
def test_each_page_damaged_before_the_start(
    application: FastAPI,
    whole: Path,
    addresses: list[str],
    tmp_path: Path,
    part: int,
    caplog: pytest.LogCaptureFixture,
) -> None:
    pages = range(1 + part, number_of_pages(whole) + 1, PARTS)
    for page in pages:
        data = tmp_path / f"page-{page}"
        data.mkdir()
        store = file_in(data)
        shutil.copy(whole, store)
        overwrite(store, {page}, seed=page)
        before = store.read_bytes()
        server = Server(Settings(data=data))
        try:
            application.state.server = server
            client = local_client(application)
            _ask_all(client, addresses[page // PARTS % TURNS :: TURNS], f"page {page}")
            if server.condition.damaged:
                health = client.get("/api/health")
                assert (health.status_code, health.json()["status"]) == (503, "store in trouble")
                assert "is damaged" in health.json()["message"]
                refused = client.post("/api/machines", json={"name": "Sled", "kind": "other"})
                assert refused.status_code == 503
                assert "--salvage" in refused.json()["detail"]
        finally:
            server.close()
        assert store.read_bytes() == before or not server.condition.damaged
    assert not [r for r in caplog.records if r.exc_info]


@pytest.mark.parametrize("part", range(PARTS))
def test_each_page_damaged_while_it_is_in_use(
    application: FastAPI, whole: Path, addresses: list[str], tmp_path: Path, part: int
) -> None:
    for page in range(1 + part, number_of_pages(whole) + 1, 4 * PARTS):
        data = tmp_path / f"page-{page}"
        data.mkdir()
        store = file_in(data)
        shutil.copy(whole, store)
        server = Server(Settings(data=data))
        try:
            application.state.server = server
            client = local_client(application)
            person = Person(client)
            person.press("12.30")
            # What was read is forgotten, as when memory is short.
            server.engine.dispose()
            overwrite(store, {page}, seed=page)
            _ask_all(client, addresses[page // PARTS % TURNS :: TURNS], f"page {page}")
        finally:
            server.close()


@pytest.mark.parametrize("seed", range(6))
def test_a_page_that_was_written_in_the_place_of_another(
    application: FastAPI, whole: Path, addresses: list[str], tmp_path: Path, seed: int
) -> None:
    """Each is a page as the database writes it, so that only what is on it is wrong."""
    store = file_in(tmp_path)
    chance = random.Random(seed)
    content = bytearray(whole.read_bytes())
    for _ in range(3):
        one, other = (n * PAGE for n in chance.sample(range(1, len(content) // PAGE), 2))
        content[other : other + PAGE] = content[one : one + PAGE]
    store.write_bytes(content)
    server = Server(Settings(data=tmp_path))
    try:
        application.state.server = server
        _ask_all(local_client(application), addresses, f"misplaced, seed {seed}")
    finally:
        server.close()


@pytest.mark.parametrize("seed", range(6))
def test_a_store_cut_off_anywhere(
    application: FastAPI, whole: Path, addresses: list[str], tmp_path: Path, seed: int
) -> None:
    store = file_in(tmp_path)
    content = whole.read_bytes()
    store.write_bytes(content[: random.Random(seed).randrange(PAGE // 2, len(content) - PAGE)])
    server = Server(Settings(data=tmp_path))
    try:
        assert "is damaged" in server.condition.damaged
        application.state.server = server
        _ask_all(local_client(application), addresses, f"cut off, seed {seed}")
    finally:
        server.close()


def test_a_table_that_is_gone_is_said_on_either_engine(client: TestClient, engine: Engine) -> None:
    person = Person(client)
    series = person.start()
    person.press("12.30", "12.40")
    change(engine, "DROP VIEW trial_history", "DROP VIEW reading_history")
    change(engine, "DROP TABLE trial_readings")
    for address in ("/", f"/series/{series}", f"/api/series/{series}", "/api/benches/main"):
        answer = client.get(address, headers={"Accept": "text/html"})
        assert answer.status_code in (200, 503), answer.text[:300]
        assert "is gone" in answer.text or "are gone" in answer.text
    refused = client.post("/api/readings", json=[person.reading("12.50")])
    assert refused.status_code == 503
    assert "gone" in refused.json()["detail"]


def test_a_live_stream_of_a_damaged_store_says_so(whole: Path, tmp_path: Path) -> None:
    store = file_in(tmp_path)
    shutil.copy(whole, store)
    overwrite(store, {1}, seed=1)
    server = Server(Settings(data=tmp_path))

    app = build(server)

    async def first() -> str:
        async with app.router.lifespan_context(app):
            answer = await follow_events(Request({"type": "http", "app": app}), server)
            parts = answer.body_iterator
            try:
                async with asyncio.timeout(60):
                    assert await anext(aiter(parts)) == b"retry: 1000\n\n"
                    return bytes(await anext(aiter(parts))).decode()
            finally:
                await parts.aclose()
                answer.left()

    try:
        said = asyncio.run(first())
    finally:
        server.close()
    assert said.startswith("event: store\n")
    assert "is damaged" in said
