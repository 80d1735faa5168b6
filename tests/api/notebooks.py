"""Old notebooks, and loading them over HTTP."""

from __future__ import annotations

from pathlib import Path

from fastapi.testclient import TestClient

NOTEBOOK = Path(__file__).parents[2] / "fixtures" / "notebook"


def load(client: TestClient, data: bytes | str, status: int = 200, **asked: object):
    body = data.encode() if isinstance(data, str) else data
    answer = client.post(
        "/api/load", content=body, params=asked, headers={"Content-Type": "text/csv"}
    )
    assert answer.status_code == status, answer.text
    return answer.json()


def page(name: str) -> bytes:
    return (NOTEBOOK / name).read_bytes()
