"""What the OpenAPI document says of every operation beyond its own parameters and answers: its
name, and the errors it is answered with. And that no parameter is taken that it does not name."""

from __future__ import annotations

from collections import Counter
from typing import Any, Final, get_args, get_origin

from fastapi import Request
from fastapi.dependencies.models import Dependant
from fastapi.exceptions import RequestValidationError
from fastapi.routing import APIRoute
from pydantic.json_schema import models_json_schema

from api.access.rungs import Rung
from api.errors import nearest
from api.settings import PORT
from api.web.ladder import need
from api.web.problems import MEDIA_TYPE
from api.web.shapes.problems import NotTakenProblem, Problem
from api.web.visitors import COOKIE

DESCRIPTION: Final = """\
Every error is a problem document (RFC 9457, `application/problem+json`); its `detail` is a sentence
that says what to do, and `errors` says what is wrong with which field or parameter.

From the server's own computer everything may be asked. From elsewhere each operation needs what
its `security` says.

HEAD is answered wherever GET is, and `Allow` names the methods of an address, in the answer to
OPTIONS and in a 405. Each address has one format, whatever `Accept` says. All text is UTF-8. A
moment without a zone is taken as UTC. A parameter that an address does not name is refused, and so
is one that is given twice where only one counts.
"""
_REFERENCE: Final = "#/components/schemas/{model}"
_SCHEMES: Final = {
    "token": {
        "type": "http",
        "scheme": "bearer",
        "description": "made by `bothends token add`; its role is `read`, `press`, `run` or"
        " `admin`, each with all that the ones before it may",
    },
    "device": {
        "type": "apiKey",
        "in": "cookie",
        "name": f"{COOKIE}{PORT}",
        "description": "given by `POST /api/access/join`; its name ends with the port that the"
        " browser asks",
    },
}
_WRITING: Final = frozenset(("post", "put", "patch", "delete"))
_ERRORS: Final = {
    401: "from another computer without access; `detail` says how to get in",
    403: "refused: it comes from a page of another site, or the pass that it comes with may too"
    " little",
    404: "nothing is at this address, or nothing has the id or name that is said",
    408: "the rest of the request did not come; send it once more",
    409: "it can't be done as things are; `detail` says what to do first",
    412: "it is not any more what `If-Match` names; read it again",
    413: "the body is too large; send it in parts",
    415: "the body is not of the type that is asked for",
    421: "the server is not known by this host's name",
    422: "something that is said can't be right; `errors` says what, by field",
    429: "too often, or too many; nothing was done. Try again after the seconds of `Retry-After`",
    500: "a fault of the program; its log says more",
    503: "it can't be done now: the store can't be read or written, or too much is asked for at"
    " once; `detail` says what to do",
}
_ALWAYS: Final = (421, 422, 429, 500, 503)


def name_of(route: APIRoute) -> str:
    """The operation's id, which a generated client makes a function of: the handler's own name."""
    return route.name


def may(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """What a route says of errors that it may be answered with, beyond those that follow from its
    method, address and parameters."""
    return {status: {"description": _ERRORS[status]} for status in statuses}


def describe(document: dict[str, Any]) -> None:
    """Say in an OpenAPI document what `problems` and `guard` do, and what `deps` asks for."""
    components = document["components"]
    shapes = components["schemas"]
    for not_ours in ("HTTPValidationError", "ValidationError"):
        shapes.pop(not_ours, None)
    problems: list[Any] = [(each, "validation") for each in (Problem, NotTakenProblem)]
    shapes |= models_json_schema(problems, ref_template=_REFERENCE)[1]["$defs"]
    components["responses"] = {
        _answer_name(status): {"description": said, "content": _problem()}
        for status, said in _ERRORS.items()
    }
    components["securitySchemes"] = _SCHEMES
    for path, operations in document["paths"].items():
        for method, operation in operations.items():
            answers = operation["responses"]
            operation["security"] = _security(method, path)
            for status in _statuses(path, method, operation):
                if "HTTPValidationError" in str(answers.get(str(status), "HTTPValidationError")):
                    name = f"#/components/responses/{_answer_name(status)}"
                    answers[str(status)] = {"$ref": name}
            for status, answer in answers.items():
                if status >= "400" and "$ref" not in answer:
                    _as_problem(answer)
            operation["responses"] = dict(sorted(answers.items()))
            if "requestBody" in operation:
                # A body's type shows that it comes from a program; see `guard`.
                operation["requestBody"]["required"] = True


def _security(method: str, path: str) -> list[dict[str, list[str]]]:
    """What an operation needs (OpenAPI 3.1, Security Requirement Object): the rung as a role, and
    nothing at the server's own computer."""
    rung = need(method.upper(), path).rung
    if rung is None:
        return []
    roles: list[str] = [rung.word]
    return [*({name: roles} for name in _SCHEMES), {}]


def _statuses(path: str, method: str, operation: dict[str, Any]) -> list[int]:
    """The errors that may come whatever the operation itself does."""
    parameters = operation.get("parameters", [])
    found = list(_ALWAYS)
    rung = need(method.upper(), path).rung
    if rung is not None:
        found.append(401)
        if rung > Rung.READ:
            found.append(403)
    if "{" in path:
        found.append(404)
    if method in _WRITING:
        found += [403, 409]
    if "requestBody" in operation:
        found += [408, 413, 415]
    if any(each["name"].lower() == "if-match" for each in parameters):
        found.append(412)
    return found


def _as_problem(answer: dict[str, Any]) -> None:
    """What a route says of an error, as it is sent: as a problem document, unless it has a shape
    that is none."""
    content = answer.setdefault("content", {})
    schema = content.get("application/json", {}).get("schema", {})
    if f"/{NotTakenProblem.__name__}'" in str(schema):
        content |= _problem(content.pop("application/json")["schema"])
    content |= {} if MEDIA_TYPE in content else _problem()


def _problem(schema: dict[str, Any] | None = None) -> dict[str, Any]:
    return {MEDIA_TYPE: {"schema": schema or {"$ref": _REFERENCE.format(model=Problem.__name__)}}}


def _answer_name(status: int) -> str:
    return f"Problem{status}"


async def only_known_parameters(request: Request) -> None:
    """Raises RequestValidationError where the address has a query parameter that the operation
    does not name, with the nearest one that it does, or twice one of which only one would count."""
    if not request.scope["query_string"]:
        return
    taken = _queried(request.scope["route"].dependant)
    known = sorted(taken)
    wrong = {name: _unknown(name, known) for name in request.query_params if name not in taken}
    for name, times in Counter(name for name, _ in request.query_params.multi_items()).items():
        if times > 1 and name in taken and not taken[name]:
            wrong[name] = f"stands {times} times in the address; give it once"
    if wrong:
        raise RequestValidationError(
            [
                {"type": "parameter", "loc": ("query", name), "msg": said}
                for name, said in wrong.items()
            ]
        )


def _unknown(name: str, known: list[str]) -> str:
    if not known:
        return "is not known here, where no parameter is taken; leave it out"
    return f"is not known here; the nearest is {nearest(name, known)}, of {', '.join(known)}"


def _queried(dependant: Dependant) -> dict[str, bool]:
    """The query parameters that a handler and its dependencies take, and whether each may be
    given several times."""
    found = {each.alias: _several(each.field_info.annotation) for each in dependant.query_params}
    for each in dependant.dependencies:
        found |= _queried(each)
    return found


def _several(annotation: Any) -> bool:
    return any(get_origin(each) is list for each in (annotation, *get_args(annotation)))
