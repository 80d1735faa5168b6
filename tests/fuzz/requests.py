"""Every operation of /openapi.json, with what its document allows and with what it does not."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from itertools import count
from random import Random
from typing import Any

import httpx2
import requests
import schemathesis
from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import APIOperation, Case
from schemathesis.checks import not_a_server_error
from schemathesis.core.failures import FailureGroup
from schemathesis.generation import GenerationMode
from schemathesis.specs.openapi import checks

from api.server import Server
from api.settings import Settings
from api.web.app import build
from tests.api.bench import Person
from tests.api.conftest import local_client
from tests.fuzz.fuzzing import Fuzzer, Place, Try

# A stream that never ends is tried by itself, in `places`.
_ENDLESS = "/api/live"
# Not `positive_data_acceptance`: rules that no schema says, such as which fields go together, or
# what is there by that name, refuse what the document allows. What `_Served` sees is stricter where
# it counts: nothing that the document allows is refused for its form.
_CHECKS = [
    not_a_server_error,
    checks.status_code_conformance,
    checks.content_type_conformance,
    checks.response_headers_conformance,
    checks.response_schema_conformance,
    checks.negative_data_rejection,
]
_MODES = (GenerationMode.POSITIVE, GenerationMode.NEGATIVE)
_OPERATIONS = 100
"""More than there are, so that a short run tries each of them in each mode."""


class _Served:
    """An application and a client of it in one process; `by_form`: what the form of the latest
    request was refused for."""

    def __init__(self, application: FastAPI) -> None:
        self.by_form: list[Any] = []
        in_words = application.exception_handlers[RequestValidationError]

        @application.exception_handler(RequestValidationError)
        def _seen(request: Request, error: RequestValidationError) -> Response:
            self.by_form = list(error.errors())
            answer: Response = in_words(request, error)  # type: ignore[assignment]
            return answer

        self.client: TestClient = local_client(application)

    def answer(self, case: Case) -> httpx2.Response:
        self.by_form = []
        said = case.as_transport_kwargs(base_url=str(self.client.base_url))
        sent = requests.Request(
            **{name: said.get(name) for name in ("method", "url", "headers", "params", "data")},
            json=said.get("json"),
            cookies=said.get("cookies"),
        ).prepare()
        answer: httpx2.Response = self.client.request(
            str(sent.method), str(sent.url), headers=dict(sent.headers), content=sent.body
        )
        return answer


def _known(client: TestClient) -> dict[str, list[str]]:
    """What is in the store, by the names under which operations ask for it."""
    person = Person(client)
    series = []
    for sent in (["12.30", "12.40", "12.35", "12.45"], ["12.30", "12.31"], []):
        series.append(str(person.start()))
        person.press(*sent)
    machines = client.get("/api/machines").json()
    readings = [
        r["id"] for t in client.get(f"/api/series/{series[0]}").json()["trials"]
        for r in t["readings"]
    ]  # fmt: skip
    benches, calipers = ["main", "side"], ["six-inch", "keyboard"]
    return {
        "series_id": series,
        **dict.fromkeys(("series", "a", "b", "before", "after", "more"), series),
        "machine": [each["id"] for each in machines] + [each["name"] for each in machines],
        "name": benches + calipers,
        "bench": benches,
        "caliper": calipers,
        "reading": readings,
        "reading_id": readings,
        "method": ["reversal", "half-turn", "stop-block", "known-block"],
        "unit": ["mm", "in"],
        **{key: ["200", "0.5"] for key in ("baseline", "thickness", "width", "joint", "gap")},
        "strip_side": ["left"],
        "angle_deg": ["0.05"],
        "error_deg": ["0.1"],
        "sent": ["12.30", "0.475 in"],
        "taken_at": ["2026-03-02T12:00:00Z"],
    }


def _fill_in(case: Case, known: dict[str, list[str]], chance: Random) -> None:
    """Some of the case's fields as they are in the store, so that it gets further."""
    body = case.body if isinstance(case.body, dict) else {}
    entries = case.body if isinstance(case.body, list) else []
    own = {"method"} if case.operation.path.endswith("/studies") else set()  # studies have theirs
    for fields in (case.path_parameters, case.query, body, *entries):
        if isinstance(fields, dict):
            for name in sorted(fields.keys() & known.keys() - own):
                if chance.random() < 0.7:
                    fields[name] = chance.choice(known[name])


def _refused_in_words(answer: httpx2.Response) -> None:
    assert answer.headers["content-type"] == "application/problem+json"
    said = json.loads(answer.content)
    assert said["status"] == answer.status_code
    assert said["detail"].strip()
    assert "Traceback" not in said["detail"]


@contextmanager
def _operations(place: Place) -> Iterator[Try]:
    shop = Server(Settings(data=place.folder / "data", db=place.store))
    served = _Served(build(shop))
    with served.client as client:
        known = _known(client)
        schema = schemathesis.openapi.from_dict(client.get("/openapi.json").json())
        operations = [result.ok() for result in schema.get_all_operations()]
        tried = [each for each in operations if each.path != _ENDLESS]
        assert len(tried) < _OPERATIONS
        inputs: Iterator[tuple[Case, GenerationMode]] | None = None

        def one(chance: Random) -> bool:
            # In their order, since each changes the store that the next one meets.
            nonlocal inputs
            inputs = inputs or _inputs(tried, chance.getrandbits(32))
            case, mode = next(inputs)
            if mode is GenerationMode.POSITIVE:
                _fill_in(case, known, chance)
            answer = served.answer(case)
            try:
                case.validate_response(answer, checks=_CHECKS)
            except FailureGroup as group:  # which is no Exception
                raise AssertionError(*group.exceptions) from None
            if mode is GenerationMode.POSITIVE:
                assert not served.by_form, f"{case.operation.label}: {served.by_form}"
            if answer.status_code >= 400:
                _refused_in_words(answer)
            return answer.status_code < 400

        yield one
    shop.close()


def _inputs(
    operations: Sequence[APIOperation], first: int
) -> Iterator[tuple[Case, GenerationMode]]:
    """Cases of each operation, valid ones and others, round and round."""
    for number in count(first):
        for operation in operations:
            for mode in _MODES:
                for case in _cases(operation, mode, number):
                    yield case, mode


def _cases(operation: APIOperation, mode: GenerationMode, number: int) -> list[Case]:
    made: list[Case] = []

    @seed(number)
    @settings(
        max_examples=1,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(operation.as_strategy(generation_mode=mode))
    def draw(case: Case) -> None:
        made.append(case)

    # Where an operation takes nothing, or any text, nothing is wrong with what can be sent.
    with suppress(Unsatisfiable):
        draw()
    return made


FUZZERS: Sequence[Fuzzer] = (
    Fuzzer(
        "operations over HTTP",
        "answered as the document says, nothing it allows refused for its form, errors in words,"
        " no 5xx",
        _operations,
        2 * _OPERATIONS,
        True,
    ),
)
