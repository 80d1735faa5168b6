"""A shop on a real store in a fresh folder, and a client that talks to its application."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from api.app import build
from api.settings import Settings
from api.shop import Shop


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    made = Shop(Settings(data=tmp_path / "data"))
    yield made
    made.close()


@pytest.fixture
def client(shop: Shop) -> Iterator[TestClient]:
    with TestClient(build(shop)) as talking:
        yield talking
