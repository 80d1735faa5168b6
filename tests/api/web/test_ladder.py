"""Every operation, asked with nothing, with what opens nothing, and from each rung."""

from __future__ import annotations

import re
from collections.abc import Iterator
from uuid import UUID

import httpx2
import pytest
from fastapi import FastAPI
from fastapi.routing import iter_route_contexts
from fastapi.testclient import TestClient
from starlette.routing import compile_path

from api.access.book import Book
from api.access.rungs import RUNGS, Rung
from api.web import ladder
from api.web.verbs import READING
from tests.api.conftest import ON_SQLITE, far_client

_ID = str(UUID(int=7))
_FILLED = {
    "series_id": _ID, "reading_id": _ID, "change_id": _ID, "machine_id": _ID, "person_id": _ID,
    "stop_id": _ID, "work_id": _ID, "id": _ID, "number": "1", "name": "main", "machine": "saw",
    "key": "reversal", "step": "keep", "path": "base.css",
}  # fmt: skip
_REFUSED_HERE = re.compile(r" may (read|press|run|admin) here, and .* needs ")


def operations(application: FastAPI) -> Iterator[tuple[str, str]]:
    """Every method and path that is served, pages and files too."""
    for route in iter_route_contexts(application.routes):
        for method in sorted(route.methods or {"GET"}):
            if method != "HEAD":
                yield method, route.path_format


def address(path: str) -> str:
    return re.sub(r"\{(\w+)(:path)?\}", lambda found: _FILLED[found[1]], path)


def asked(who: TestClient, method: str, path: str) -> httpx2.Response:
    """The answer to a request without anything in it that could be right."""
    if path == "/api/load":
        sent = {"content": b"", "headers": {"Content-Type": "text/csv"}}
    else:
        sent = {"json": {}} if method in ("POST", "PATCH", "PUT") else {}
    if path == "/api/live":  # it does not end by itself
        with who.stream("HEAD", path) as answer:
            return answer
    return who.request(method, address(path), **sent)  # type: ignore[arg-type]


def documented_need(application: FastAPI, method: str, path: str) -> str | None:
    """The rung that the OpenAPI document names; "open" where it says that nothing is needed."""
    operation = application.openapi()["paths"].get(path, {}).get(method.lower())
    if operation is None:  # a page, or one of the program's own files
        return "open" if path == "/static/{path}" else "read"
    security = operation["security"]
    if not security:
        return "open"
    assert security[-1] == {}  # at the server's own computer nothing is needed
    roles = {tuple(each.items()) for each in map(_frozen, security[:-1])}
    named = {role for each in roles for _, (role,) in each}
    assert {scheme for each in roles for scheme, _ in each} == {"token", "device"}
    (rung,) = named
    return rung


def _frozen(each: dict[str, list[str]]) -> dict[str, tuple[str, ...]]:
    return {name: tuple(roles) for name, roles in each.items()}


@ON_SQLITE
def test_each_operation_asks_for_what_is_documented(application: FastAPI, book: Book) -> None:
    revoked, revoked_token = book.add_token("revoked", Rung.ADMIN)
    book.revoke(revoked.id)
    without = {
        "nothing": far_client(application),
        "a wrong token": far_client(application, "bothends_" + "A" * 43),
        "a revoked token": far_client(application, revoked_token),
    }
    rungs = {
        word: far_client(application, book.add_token(word, rung)[1]) for word, rung in RUNGS.items()
    }
    tried = 0
    for method, path in operations(application):
        need = documented_need(application, method, path)
        for said, who in without.items():
            answer = asked(who, method, path)
            let_in = answer.status_code != 401
            assert let_in == (need == "open"), (method, path, said, answer.status_code)
            tried += 1
        for word, who in rungs.items():
            if path == "/api/access/leave":
                continue  # it works, and the rest would have nothing to show
            answer = asked(who, method, path)
            assert answer.status_code != 401, (method, path, word)
            refused = answer.status_code == 403 and bool(_REFUSED_HERE.search(answer.text))
            wanted = need != "open" and RUNGS[word] < RUNGS[str(need)]
            assert refused == wanted, (method, path, word, answer.status_code, answer.text[:200])
            tried += 1
    assert tried > 600
    print(f"{tried} requests")


def test_what_the_ladder_names_is_there(application: FastAPI) -> None:
    served = {
        (method, re.sub(r"\{\w+(:path)?\}", "{}", path)) for method, path in operations(application)
    }
    for named in ladder.NAMED.values():
        for method, path in named:
            if path == "/static/{file:path}":
                continue
            steps = ["keep", "shown", "keys"] if "{step}" in path else [""]
            for step in steps:
                said = re.sub(r"\{\w+(:path)?\}", "{}", path.replace("{step}", step))
                assert (method, said) in served, (method, path)


def test_what_changes_something_says_what_it_needs(application: FastAPI) -> None:
    named = {
        (method, compile_path(path)[0]) for each in ladder.NAMED.values() for method, path in each
    }
    for method, path in operations(application):
        said = any(at == method and pattern.match(address(path)) for at, pattern in named)
        assert said or method in READING, f"{method} {path}: name it in api/web/ladder"


@pytest.mark.parametrize(
    ("method", "path", "rung", "bench"),
    [
        ("GET", "/", Rung.READ, None),
        ("HEAD", "/api/machines", Rung.READ, None),
        ("OPTIONS", "/api/readings", Rung.READ, None),
        ("GET", "/nothing/is/here", Rung.READ, None),
        ("PUT", "/nothing/is/here", Rung.RUN, None),
        ("POST", "/api/readings", Rung.PRESS, None),
        ("POST", "/api/readings/", Rung.RUN, None),
        ("POST", "/api/benches/two/take-back", Rung.PRESS, "two"),
        ("POST", "/api/benches/two/away", Rung.RUN, None),
        ("PATCH", "/api/calipers/a/b", Rung.ADMIN, None),
        ("POST", "/api/calipers/a/b/studies", Rung.RUN, None),
        ("GET", "/api/identify", Rung.ADMIN, None),
        ("HEAD", "/api/access", Rung.ADMIN, None),
        ("GET", "/static/shared/http.js", None, None),
        ("POST", "/static/shared/http.js", Rung.RUN, None),
    ],
)
def test_what_a_request_needs(method: str, path: str, rung: Rung | None, bench: str | None) -> None:
    found = ladder.need(method, path)
    assert (found.rung, found.bench) == (rung, bench)
