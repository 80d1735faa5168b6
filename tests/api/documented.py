"""Whether answers are as the OpenAPI document says: their status, their type and their shape.

Every client of these tests asks it, so that each test tries the document too.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import httpx2
import jsonschema_rs
from fastapi import FastAPI
from fastapi.routing import iter_route_contexts

PROBLEM = "application/problem+json"
_MADE: dict[type[FastAPI], Documented] = {}


class Documented:
    """The document of an application, to compare answers with."""

    def __init__(self, application: FastAPI) -> None:
        self._document = application.openapi()
        self._routes = [
            (each.path_regex, each.methods, each.path_format)
            for each in iter_route_contexts(application.routes)
            if each.path_format in self._document["paths"]
        ]
        self._validators: dict[tuple[str, str, str, str], Any] = {}

    def compare(self, answer: httpx2.Response) -> None:
        """Fails where the answer to an operation is not as it is documented."""
        method, path = answer.request.method, answer.request.url.path
        wanted = "GET" if method == "HEAD" else method
        operation = next(
            (
                form
                for regex, methods, form in self._routes
                if wanted in methods and regex.match(path)
            ),
            None,
        )
        kind = answer.headers.get("content-type", "").partition(";")[0]
        if operation is None:
            if answer.status_code >= 400 and path.startswith("/api/"):
                assert kind == PROBLEM, (method, path, kind)
            return
        said = f"{method} {path} -> {answer.status_code} {kind}, of {operation}"
        answers = self._document["paths"][operation][wanted.lower()]["responses"]
        told = answers.get(str(answer.status_code))
        assert told is not None, f"{said}: such a status is not in the document"
        content = self._resolved(told).get("content", {})
        assert kind in content or (not content and not kind), f"{said}: only {list(content)}"
        if kind.endswith("json") and method != "HEAD" and "content-length" in answer.headers:
            answer.read()
            key = (operation, wanted.lower(), str(answer.status_code), kind)
            validator = self._validators.get(key) or self._validator(key, content[kind]["schema"])
            error = next(validator.iter_errors(answer.json()), None)
            assert error is None, f"{said}: {error}"

    def _resolved(self, told: dict[str, Any]) -> dict[str, Any]:
        name = told.get("$ref", "").rpartition("/")[2]
        found: dict[str, Any] = self._document["components"]["responses"][name] if name else told
        return found

    def _validator(self, key: tuple[str, str, str, str], schema: dict[str, Any]) -> Any:
        whole = schema | {"components": self._document["components"]}
        made = self._validators[key] = jsonschema_rs.Draft202012Validator(whole)
        return made


def documented(application: FastAPI) -> Callable[[httpx2.Response], None]:
    """What compares an answer of `application` with its document, which is that of all that are
    built: making one takes a second."""

    def compare(answer: httpx2.Response) -> None:
        made = _MADE.get(type(application)) or Documented(application)
        _MADE[type(application)] = made
        made.compare(answer)

    return compare
