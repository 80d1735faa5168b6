"""A client that a stranger's tool makes of /openapi.json works at the first try.

openapi-python-client has never heard of this program; what it makes is told nothing but the
document.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from datetime import datetime
from importlib import import_module
from pathlib import Path
from typing import Any
from uuid import UUID

import httpx
import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from openapi_python_client import generate
from openapi_python_client.config import Config, ConfigFile, MetaType

from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE

pytestmark = ON_SQLITE

MADE = "made_of_openapi_json"
NOWHERE = UUID("00000000-0000-7000-8000-000000000000")
# It knows few types by itself; so it is told which of the others are text, and which are not.
_TYPES = {
    "application/jsonl": "text/plain",
    "application/zip": "application/octet-stream",
    "application/vnd.apache.parquet": "application/octet-stream",
    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet": "application/octet-stream",
}


@pytest.fixture(scope="module")
def made(application: FastAPI, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The name of the package that is made of the document."""
    folder = tmp_path_factory.mktemp("made")
    document = folder / "openapi.json"
    document.write_text(json.dumps(application.openapi()), encoding="utf-8")
    errors = generate(
        config=Config.from_sources(
            ConfigFile(content_type_overrides=_TYPES, post_hooks=[]),
            MetaType.NONE,
            document_source=document,
            file_encoding="utf-8",
            overwrite=False,
            output_path=folder / MADE,
        )
    )
    # It sends no CSV; all else is made.
    assert [(each.header, each.detail) for each in errors] == [
        (
            "WARNING parsing POST /api/load within history. Endpoint will not be generated.",
            "Unsupported content type text/csv",
        )
    ]
    operations = application.openapi()["paths"].values()
    functions = {Path(each).stem for each in (folder / MADE / "api").glob("*/[a-z]*.py")}
    assert functions | {"load_notebook"} == {
        operation["operationId"] for each in operations for operation in each.values()
    }
    sys.path.insert(0, str(folder))
    yield MADE
    sys.path.remove(str(folder))


@pytest.fixture
def shop(made: str, client: TestClient) -> Any:
    """The made client, which talks to the application."""

    def answered(request: httpx.Request) -> httpx.Response:
        headers = dict(request.headers) | {"accept-encoding": "identity"}
        answer = client.request(
            request.method, str(request.url), headers=headers, content=request.read()
        )
        return httpx.Response(answer.status_code, headers=answer.headers, content=answer.content)

    talking = import_module(f"{made}.client").Client("http://127.0.0.1:8017")
    return talking.set_httpx_client(
        httpx.Client(base_url="http://127.0.0.1:8017", transport=httpx.MockTransport(answered))
    )


def _function(module: str) -> Any:
    return import_module(f"{MADE}.api.{module}")


def _models() -> Any:
    return import_module(f"{MADE}.models")


def test_what_it_answers_has_types(shop: Any, client: TestClient) -> None:
    models = _models()
    machine = _function("machines.add_machine").sync(
        client=shop, body=models.MachineIn(name="Window saw")
    )
    assert type(machine.id) is UUID
    assert type(machine.created_at) is datetime
    person = Person(client)
    series = UUID(person.start(machine="Window saw"))
    body = [models.ReadingIn.from_dict(person.reading(sent)) for sent in ("12.30", "12.40")]
    kept = _function("readings.add_readings").sync(client=shop, body=body)
    assert (kept.stored, [each.kind for each in kept.outcomes]) == (2, ["kept", "complete"])
    ended = _function("series.finish_series").sync(series, client=shop, body=models.SignedIn())
    assert type(ended.finished_at) is datetime
    found = _function("series.get_series").sync(series, client=shop)
    assert [each.sent for each in found.trials[0].readings] == ["12.30", "12.40"]
    listed = _function("machines.list_machines").sync(client=shop)
    assert [each.name for each in listed] == ["Window saw"]
    text = _function("history.export_readings_csv").sync(client=shop)
    assert len(text.splitlines()) == 3
    pack = _function("history.export_readings_senml").sync(client=shop)
    assert [each.v for each in pack] == [0.0123, 0.0124]
    book = _function("history.export_trials_xlsx").sync(client=shop)
    assert book.payload.read(2) == b"PK"


def test_it_shows_the_sentence_of_an_error(shop: Any, client: TestClient) -> None:
    models = _models()
    gone = _function("machines.get_machine").sync_detailed(NOWHERE, client=shop)
    assert gone.status_code == 404
    assert gone.parsed.detail == client.get(f"/api/machines/{NOWHERE}").json()["detail"]
    assert "there is none yet" in gone.parsed.detail

    wrong = _function("machines.add_machine").sync(client=shop, body=models.MachineIn(name=""))
    assert type(wrong).__name__ == "Problem"
    assert [(each.field, each.message) for each in wrong.errors] == [("name", "must not be empty")]

    Person(client).start()
    feeds = _function("calipers.start_caliper_study").sync(
        "six-inch", client=shop, body=models.StudyIn.from_dict({"method": "same-spot"})
    )
    assert feeds.detail.startswith("there is no caliper six-inch")

    reading = Person(client).reading("twelve")
    refused = _function("readings.add_readings").sync(
        client=shop, body=[models.ReadingIn.from_dict(reading)]
    )
    assert (refused.stored, [str(each.id) for each in refused.refused]) == (0, [reading["id"]])
    assert "'twelve' is no reading" in refused.refused[0].why
