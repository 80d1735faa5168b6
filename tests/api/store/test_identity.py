"""A store or a queue whose files are taken away acknowledges nothing until they are back."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from uuid import UUID

import pytest
from fastapi.testclient import TestClient

from api.instruments.forward.queue import Queue, QueueError
from api.server import Server
from api.settings import Settings
from api.store import doctor
from api.store.engine import StoreError
from api.web.app import build
from tests.api.bench import Person
from tests.api.conftest import local_client


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "data" / "bothends.sqlite"


@pytest.fixture
def person(store: Path) -> Iterator[Person]:
    server = Server(Settings(data=store.parent))
    with local_client(build(server)) as client:
        yield Person(client)
    server.close()


def _take_away(store: Path, *, names: tuple[str, ...], to: Path) -> None:
    to.mkdir()
    for name in names:
        shutil.move(f"{store}{name}", to)


def _refused(client: TestClient, person: Person, sent: str) -> str:
    answer = client.post("/api/readings", json=[person.reading(sent)])
    assert answer.status_code == 503, answer.text
    said: str = answer.json()["detail"]
    return said


@pytest.mark.parametrize("names", [("",), ("", "-wal", "-shm")], ids=["main", "all"])
def test_nothing_is_acknowledged_while_the_file_is_away(
    person: Person, store: Path, tmp_path: Path, names: tuple[str, ...]
) -> None:
    series = person.start()
    person.press("12.30")
    _take_away(store, names=names, to=tmp_path / "away")
    assert "put it back" in _refused(person.client, person, "12.40")
    health = person.client.get("/api/health")
    assert health.status_code == 503
    assert "put it back" in health.json()["message"]
    assert not store.exists()  # and no empty one is made in its place
    for name in names:
        shutil.move(tmp_path / "away" / f"bothends.sqlite{name}", f"{store}{name}")
    person.press("12.50")
    assert person.client.get("/api/health").status_code == 200
    assert person.sent(series) == [["12.30", "12.50"]]


def test_another_file_in_its_place_is_not_written(
    person: Person, store: Path, tmp_path: Path
) -> None:
    person.start()
    person.press("12.30")
    _take_away(store, names=("", "-wal", "-shm"), to=tmp_path / "away")
    Server(Settings(data=store.parent)).close()
    assert "another file" in _refused(person.client, person, "12.40")


def test_a_log_that_is_deleted_costs_nothing(person: Person, store: Path) -> None:
    series = person.start()
    person.press("12.30")
    Path(f"{store}-wal").unlink()
    person.press("12.40")
    person.press("12.50")
    assert person.sent(series) == [["12.30", "12.40"], ["12.50"]]
    # All of it is where the next program finds it.
    server = Server(Settings(data=store.parent))
    try:
        with server.reading() as connection:
            assert list(doctor.findings(connection)) == []
        assert Person(local_client(build(server))).sent(series) == [["12.30", "12.40"], ["12.50"]]
    finally:
        server.close()


def test_what_waited_is_stored_once_the_file_is_back(tmp_path: Path) -> None:
    server = Server(Settings(data=tmp_path / "data"))
    machine = server.journal.add_machine("Window saw", "other")
    away = tmp_path / "away.sqlite"
    shutil.move(tmp_path / "data" / "bothends.sqlite", away)
    with pytest.raises(StoreError, match="put it back"):
        server.journal.add_machine("Sled", "other")
    shutil.move(away, tmp_path / "data" / "bothends.sqlite")
    assert server.journal.add_machine("Window saw", "other") == machine
    assert isinstance(server.journal.add_machine("Sled", "other"), UUID)
    server.close()


def test_a_queue_acknowledges_nothing_while_its_file_is_away(tmp_path: Path) -> None:
    path = tmp_path / "bench.sqlite"
    queue = Queue(path)
    queue.add("reading", {"id": "1"})
    shutil.move(path, tmp_path / "away")
    with pytest.raises(QueueError, match="put it back"):
        queue.add("reading", {"id": "2"})
    shutil.move(tmp_path / "away", path)
    queue.add("reading", {"id": "2"})
    assert [item.body["id"] for item in queue.waiting()] == ["1", "2"]
    queue.close()
