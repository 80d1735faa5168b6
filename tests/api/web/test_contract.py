"""The OpenAPI document says all that can be answered, and nothing is taken that it does not say."""

from __future__ import annotations

import json
import re
from typing import Any

import jsonschema_rs
import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from api.errors import nearest
from tests.api.bench import Person
from tests.api.conftest import LAN_HOST, ON_SQLITE


def _operations(application: FastAPI) -> dict[str, dict[str, Any]]:
    paths = application.openapi()["paths"]
    return {
        operation["operationId"]: operation | {"path": path, "method": method}
        for path, operations in paths.items()
        for method, operation in operations.items()
    }


def test_each_operation_is_named_as_a_function_is(application: FastAPI) -> None:
    names = list(_operations(application))
    assert len(set(names)) == len(names) > 70
    for name in names:
        assert re.fullmatch(r"[a-z]+(_[a-z]+)+", name), name
        assert not {"api", "get", "post", "patch", "delete"} & set(name.split("_")[1:]), name


def test_every_error_of_every_operation_is_a_problem_document(application: FastAPI) -> None:
    document = application.openapi()
    always = {"421", "422", "429", "500", "503"}
    for name, operation in _operations(application).items():
        answers = operation["responses"]
        assert "default" not in answers, name
        assert always <= answers.keys(), name
        if operation["method"] != "get":
            assert {"403", "409"} <= answers.keys(), name
        if "requestBody" in operation:
            assert {"408", "413", "415"} <= answers.keys(), name
        for status, answer in answers.items():
            if status < "400":
                continue
            found = document["components"]["responses"].get(answer.get("$ref", "")[23:], answer)
            expected = ["application/problem+json"]
            # The one answer that says in its own form what fails.
            if (name, status) == ("get_health", "503"):
                expected.insert(0, "application/json")
            assert list(found["content"]) == expected, (name, status)


def test_what_changes_something_is_sent_with_a_body_so_that_its_type_is_known(
    application: FastAPI,
) -> None:
    for name, operation in _operations(application).items():
        if operation["method"] in ("post", "patch"):
            assert operation["requestBody"]["required"], name


@ON_SQLITE
@pytest.mark.parametrize(
    ("address", "field", "message"),
    [
        (
            "/api/machines?limt=3",
            "limt",
            "is not known here; the nearest is limit, of after, limit, order, retired",
        ),
        ("/api/trials.csv?Machine=a", "Machine", "is not known here; the nearest is machine, of"),
        ("/api/history.zip?form=csv", "form", "is not known here; the nearest is "),
        ("/api/live?bensch=main", "bensch", "is not known here; the nearest is bench, of"),
        ("/api/machines/a/advice?pivo=left", "pivo", "is not known here; the nearest is pivot, of"),
        (
            "/api/trials.csv?machine=a&machine=b",
            "machine",
            "stands 2 times in the address; give it once",
        ),
        ("/api/health?_=17", "_", "is not known here, where no parameter is taken; leave it out"),
    ],
)
def test_a_parameter_that_is_not_known_is_refused_with_the_nearest_that_is(
    client: TestClient, address: str, field: str, message: str
) -> None:
    answer = client.get(address)
    assert answer.status_code == 422
    (said,) = answer.json()["errors"]
    assert said["field"] == field
    assert said["message"].startswith(message)
    assert answer.json()["detail"] == f"{field}: {said['message']}"


@ON_SQLITE
def test_all_parameters_that_are_not_known_are_named_and_nothing_is_stored(
    client: TestClient,
) -> None:
    answer = client.post("/api/readings?dryrun=1&x=2", json=[])
    assert [each["field"] for each in answer.json()["errors"]] == ["dryrun", "x"]
    answer = client.post("/api/machines?dry_run=1", json={"name": "Sled"})
    assert answer.status_code == 422
    assert client.get("/api/machines").json() == []


@ON_SQLITE
def test_a_page_takes_what_others_add_to_its_address(client: TestClient) -> None:
    assert client.get("/machines?from=elsewhere").status_code == 200


def test_the_nearest_name_is_found_whatever_its_case() -> None:
    assert nearest("LIMT", ["after", "limit", "order"]) == "limit"
    assert nearest("x", ["after"]) == "after"


@ON_SQLITE
def test_each_line_of_json_lines_is_as_the_document_says(client: TestClient) -> None:
    person = Person(client)
    person.start()
    person.press("12.30", "12.40", "12.35")
    operations = _operations(client.app)  # type: ignore[arg-type]
    for table in ("trials", "readings"):
        said = operations[f"export_{table}_jsonl"]["responses"]["200"]["content"]
        line = said["application/jsonl"]["schema"]["contentSchema"]
        rows = client.get(f"/api/{table}.jsonl").text.splitlines()
        assert rows
        for row in rows:
            jsonschema_rs.validate(line, json.loads(row))
        said = operations[f"export_{table}_csv"]["responses"]["200"]["content"]
        header = client.get(f"/api/{table}.csv").text.splitlines()[0]
        assert header.replace(",", ", ") in said["text/csv"]["schema"]["description"]
    said = operations["export_readings_senml"]["responses"]["200"]["content"]
    for address, records in (("", 3), ("?since=2100-01-01", 1)):
        pack = client.get(f"/api/readings.senml{address}").json()
        assert len(pack) == records
        jsonschema_rs.validate(said["application/senml+json"]["schema"], pack)


@ON_SQLITE
def test_a_name_that_the_server_has_not_is_answered_as_documented(client: TestClient) -> None:
    assert client.get("/api/machines", headers={"Host": LAN_HOST}).status_code == 200
    assert client.get("/api/machines", headers={"Host": "evil.example"}).status_code == 421
