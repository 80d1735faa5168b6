"""A page that fails by a fault of the program."""

from __future__ import annotations

from typing import Any

from fastapi.testclient import TestClient

PATH = "/fails"


def failing(client: TestClient) -> TestClient:
    """Somebody at the server's own computer, where `PATH` fails from now on and only its answer
    is seen."""
    application: Any = client.app

    @application.get(PATH)  # type: ignore[untyped-decorator]
    def _fails() -> None:
        raise RuntimeError("not meant to be")

    return TestClient(
        application,
        base_url=str(client.base_url),
        client=("127.0.0.1", 50_000),
        raise_server_exceptions=False,
    )
