"""Whatever is wrong with what was sent is said of its field, in words that say what is allowed."""

from __future__ import annotations

import errno
from datetime import datetime
from typing import Annotated, Literal
from uuid import UUID

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from api.web.problems import field_error, install, problem
from tests.api.conftest import ON_SQLITE
from tests.api.web.failing import PATH, failing


class Inner(BaseModel):
    n: int


class Sent(BaseModel):
    model_config = ConfigDict(extra="forbid")
    unit: Literal["mm", "in"] = "mm"
    name: Annotated[str, Field(min_length=1, max_length=3, pattern=r"^[^/]*$")] = "a"
    at: datetime = datetime(2026, 3, 2)
    count: Annotated[int, Field(ge=1, lt=9)] = 1
    size: Annotated[float, Field(allow_inf_nan=False)] = 1.0
    on: bool = True
    id: UUID = UUID(int=0)
    several: Annotated[list[int], Field(min_length=1, max_length=2)] = [1]
    inner: Inner | None = None


@pytest.mark.parametrize(
    ("body", "field", "message"),
    [
        ({"unit": "cm"}, "unit", "must be 'mm' or 'in'"),
        ({"nmae": 1}, "nmae", "is not a field here; see /openapi.json for all fields"),
        ({"name": 5}, "name", "must be text, in quotes"),
        ({"name": ""}, "name", "must not be empty"),
        ({"name": "abcd"}, "name", "must be at most 3 characters"),
        ({"name": "a/b"}, "name", "must not hold a slash; choose another name"),
        ({"at": "noon"}, "at", "must be a moment such as 2026-03-02T12:00:00Z"),
        ({"count": "x"}, "count", "must be a whole number"),
        ({"count": 1.5}, "count", "must be a whole number"),
        ({"count": 0}, "count", "must be greater than or equal to 1"),
        ({"count": 9}, "count", "must be less than 9"),
        ({"size": "wide"}, "size", "must be a number"),
        ({"size": float("nan")}, "size", "must be a number"),
        ({"on": "perhaps"}, "on", "must be true or false"),
        ({"id": "saw"}, "id", "must be a UUID such as 01939d3e-7c1a-7000-8000-000000000000"),
        ({"several": 5}, "several", "must be a JSON array, in brackets"),
        ({"several": []}, "several", "give at least 1"),
        ({"several": [1, 2, 3]}, "several", "must hold at most 2 entries"),
        ({"several": [1, "x"]}, "several.1", "must be a whole number"),
        ({"inner": {}}, "inner.n", "is needed"),
        ({"inner": 5}, "inner", "must be a JSON object, in braces"),
    ],
)
def test_a_field_that_cannot_be_right_says_what_is_allowed(body, field, message):
    with pytest.raises(ValidationError) as caught:
        Sent.model_validate(body)
    (error,) = caught.value.errors()
    assert field_error(error) == {"field": field, "message": message}


@pytest.mark.parametrize("loc", [("body",), ("query", "path"), ()])
def test_what_is_wrong_with_the_whole_is_said_of_the_body(loc):
    error = {"loc": loc, "msg": "Field required", "type": "missing"}
    assert field_error(error) == {"field": "body", "message": "is needed"}


def test_a_body_that_is_no_json_is_no_fault_of_a_field():
    error = {"loc": ("body", 17), "msg": "JSON decode error", "type": "json_invalid"}
    assert field_error(error)["field"] == "body"
    assert "not JSON" in field_error(error)["message"]


def test_a_problem_is_a_document_of_its_own_type():
    answer = problem(409, "finish it first", more={"series": "x"})
    assert answer.status_code == 409
    assert answer.media_type == "application/problem+json"
    assert answer.body == (
        b'{"type":"about:blank","title":"Conflict","status":409,"detail":"finish it first",'
        b'"series":"x"}'
    )


@ON_SQLITE
@pytest.mark.parametrize(
    "body", [b"\xff", b'{"name": "\xe9"}', b"{", b"", b"[" * 100_000], ids=lambda b: repr(b)[:20]
)
def test_a_body_that_cannot_be_read_is_refused_as_the_body(client, body):
    answer = client.post(
        "/api/machines", content=body, headers={"Content-Type": "application/json"}
    )
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    assert [each["field"] for each in answer.json()["errors"]] == ["body"]
    assert client.get("/api/machines").json() == []


@pytest.mark.parametrize(
    ("number", "status", "words"),
    [
        (errno.EMFILE, 503, "too many files are open; try again"),
        (errno.EIO, 500, "went wrong that should not"),
    ],
)
def test_a_lack_of_files_is_no_mystery(number, status, words):
    app = FastAPI()
    install(app)

    @app.get("/")
    def _fails() -> None:
        raise OSError(number, "told by the system")

    answer = TestClient(app, raise_server_exceptions=False).get("/")
    assert answer.status_code == status
    assert words in answer.json()["detail"]


def test_a_page_that_fails_is_a_page_with_a_way_on(client):
    browser = failing(client)
    shown = browser.get(PATH, headers={"Accept": "text/html"})
    assert (shown.status_code, shown.headers["content-type"][:9]) == (500, "text/html")
    assert "nothing that was acknowledged is lost" in shown.text
    assert 'href="/machines"' in shown.text
    assert browser.get(PATH).json()["status"] == 500
