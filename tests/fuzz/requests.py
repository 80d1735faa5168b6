"""Every operation of /openapi.json, with what its document allows and with what it does not."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from itertools import count
from random import Random
from typing import Any

import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import APIOperation, Case
from schemathesis.checks import not_a_server_error
from schemathesis.core.failures import FailureGroup
from schemathesis.generation import GenerationMode
from schemathesis.specs.openapi import checks

from tests.fuzz.fuzzing import Fuzzer, Place, Try
from tests.ptys import PATIENCE_S
from tests.whole.forked import serving
from tests.whole.serving import Serving
from tests.whole.shops import measured

# A stream that never ends is tried by itself, in `places`.
_ENDLESS = "/api/live"
# Not `positive_data_acceptance`: rules that no schema says, such as which fields go together,
# refuse what the document allows.
_CHECKS = [
    not_a_server_error,
    checks.status_code_conformance,
    checks.content_type_conformance,
    checks.response_headers_conformance,
    checks.response_schema_conformance,
    checks.negative_data_rejection,
]
_AT_A_TIME = 2
_MODES = (GenerationMode.POSITIVE, GenerationMode.NEGATIVE)


def _known(server: Serving) -> dict[str, list[str]]:
    """What is in the store, by the names under which operations ask for it."""
    series = [
        measured(server, "Window saw", (0.10, 0.12, 0.08, 0.11), tolerance_deg="0.1"),
        measured(server, "Window saw", (0.02, 0.01, 0.03)),
        server.start_series("Sled"),
    ]
    machines = server.get("/api/machines")
    readings = [r["id"] for t in server.get(f"/api/series/{series[0]}")["trials"]
                for r in t["readings"]]  # fmt: skip
    benches, calipers = ["main", "side"], ["six-inch", "keyboard"]
    return {
        "series_id": series,
        **dict.fromkeys(("series", "a", "b", "before", "after", "more"), series),
        "machine": [each["id"] for each in machines] + ["Window saw"],
        "name": benches + calipers,
        "bench": benches,
        "caliper": calipers,
        "reading": readings,
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
    for fields in (case.path_parameters, case.query, body, *entries):
        if isinstance(fields, dict):
            for name in fields:
                if name in known and chance.random() < 0.7:
                    fields[name] = chance.choice(known[name])


def _refused_in_words(answer: Any) -> None:
    assert answer.headers["content-type"] == ["application/problem+json"]
    said = json.loads(answer.content)
    assert said["status"] == answer.status_code
    assert said["detail"].strip()
    assert "Traceback" not in said["detail"]


@contextmanager
def _operations(place: Place) -> Iterator[Try]:
    with serving(place.folder / "serving", "--db", place.store) as server:
        known = _known(server)
        schema = schemathesis.openapi.from_dict(server.get("/openapi.json"))
        operations = [result.ok() for result in schema.get_all_operations()]
        tried = [each for each in operations if each.path != _ENDLESS]
        inputs: Iterator[tuple[Case, GenerationMode]] | None = None

        def one(chance: Random) -> bool:
            # In their order, since each changes the store that the next one meets.
            nonlocal inputs
            inputs = inputs or _inputs(tried, chance.getrandbits(32))
            case, mode = next(inputs)
            if mode is GenerationMode.POSITIVE:
                _fill_in(case, known, chance)
            if case.operation.method.upper() != "GET" and case.media_type is None:
                # The server asks for it always, and no document can say so.
                case.headers["Content-Type"] = "application/json"
            answer = case.call(base_url=server.url, timeout=PATIENCE_S)
            try:
                case.validate_response(answer, checks=_CHECKS)
            except FailureGroup as group:  # which is no Exception
                raise AssertionError(*group.exceptions) from None
            if answer.status_code >= 400:
                _refused_in_words(answer)
            return answer.status_code < 400

        yield one
        assert "Traceback" not in server.log.read_text(), server.log.read_text()


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
        max_examples=_AT_A_TIME,
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
        "answered as the document says, errors in words, no 5xx",
        _operations,
        190,
        True,
    ),
)
