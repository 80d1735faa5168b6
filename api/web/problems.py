"""Errors to answers: the one place where a failure becomes an RFC 9457 problem document."""

from __future__ import annotations

import errno
import logging
from http import HTTPStatus
from typing import Any, Final

from fastapi import FastAPI, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from sqlalchemy.exc import DBAPIError
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from analysis.sentences import capital
from api.access.book import AccessError, TooMany
from api.errors import Conflict, InvalidField, NotFound
from api.store.engine import StoreError
from api.web.pages.shared.rendering import page
from api.web.verbs import allowed

_log = logging.getLogger(__name__)

MEDIA_TYPE: Final = "application/problem+json"
_UNEXPECTED: Final = (
    "something went wrong that should not; nothing that was acknowledged is lost."
    " The program's log says more"
)
_NO_BOOK: Final = (
    "who is let in can't be read or changed now, and nothing was changed; the program's log says"
    " why and what to do"
)
_NO_JSON: Final = "the body is not JSON; send a JSON document"


def problem(
    status: int,
    detail: str,
    errors: list[dict[str, str]] | None = None,
    more: dict[str, Any] | None = None,
    headers: dict[str, str] | None = None,
) -> JSONResponse:
    """A problem document; `detail` says what to do, `more` are members of its own."""
    body: dict[str, Any] = {
        "type": "about:blank",
        "title": HTTPStatus(status).phrase,
        "status": status,
        "detail": detail,
    }
    if errors:
        body["errors"] = errors
    body |= more or {}
    return JSONResponse(body, status, headers, media_type=MEDIA_TYPE)


def no_such_address(
    request: Request, detail: str, errors: list[dict[str, str]] | None = None
) -> Response:
    """422, as a page for a browser, else as a problem document."""
    if wants_page(request):
        return page(
            request,
            "shared/missing.html",
            status=422,
            title="No such address",
            message=f"{detail}. The links above lead to all pages.",
        )
    return problem(422, detail, errors)


def _store_trouble(request: Request, error: Exception) -> Response:
    """503, as a page for a browser, else as a problem document."""
    condition = request.app.state.server.condition
    detail = condition.met(error)
    if request.method in ("GET", "HEAD"):
        detail = f"this cannot be read: {detail}"
    elif isinstance(error, StoreError):
        detail = f"nothing was acknowledged: {detail}"
    else:
        detail = f"nothing was changed: {detail}"
    if not condition.damaged:
        detail += "; then try again"
    if not wants_page(request):
        return problem(503, detail)
    return page(
        request,
        "shared/missing.html",
        status=503,
        title="The store cannot be read",
        message=f"{capital(detail)}.",
    )


class DamagedParts:
    """Answers in a sentence where a damaged store made the program fail in a way of its own.

    What a damaged page holds may look right to the database, and be nothing that the program could
    have written.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        begun = False

        async def noticed(message: Message) -> None:
            nonlocal begun
            begun = True
            await send(message)

        try:
            await self._app(scope, receive, noticed)
        except Exception as error:
            if scope["type"] != "http":
                raise
            request = Request(scope)
            condition = request.app.state.server.condition
            if not await run_in_threadpool(condition.met, error):
                raise
            _log.error("the store, at %r: %s: %s", scope["path"], type(error).__name__, error)
            # An answer under way breaks off, so that nobody takes it for whole.
            if not begun:
                await _store_trouble(request, error)(scope, receive, send)


def install(app: FastAPI) -> None:
    """Give `app` the answers to everything that can go wrong."""
    app.add_middleware(DamagedParts)

    @app.exception_handler(RequestValidationError)
    def _invalid(request: Request, error: RequestValidationError) -> Response:
        errors = [field_error(e) for e in error.errors()]
        detail = "; ".join(f"{e['field']}: {e['message']}" for e in errors[:5])
        return no_such_address(request, detail, errors)

    @app.exception_handler(InvalidField)
    def _invalid_field(_request: Request, error: InvalidField) -> JSONResponse:
        return problem(422, str(error), [{"field": error.field, "message": error.message}])

    @app.exception_handler(NotFound)
    def _not_found(_request: Request, error: NotFound) -> JSONResponse:
        return problem(404, str(error))

    @app.exception_handler(Conflict)
    def _conflict(_request: Request, error: Conflict) -> JSONResponse:
        return problem(409, str(error))

    @app.exception_handler(HTTPException)
    def _http(request: Request, error: HTTPException) -> Response:
        detail = str(error.detail)
        if error.status_code == 404 and detail == "Not Found":
            if wants_page(request):
                return page(
                    request,
                    "shared/missing.html",
                    status=404,
                    title="Nothing here",
                    message="There is no page at this address. The links above lead to all pages.",
                )
            detail = "there is nothing at this address; /openapi.json lists all addresses"
        if error.status_code == 400:  # raised for a body alone, where it is not even text
            return problem(422, _NO_JSON, [{"field": "body", "message": _NO_JSON}])
        if error.status_code == 405:
            methods = allowed(request)
            headers = {"Allow": ", ".join(methods)}
            if request.method == "OPTIONS":
                return Response(status_code=204, headers=headers)
            detail = f"this address does not take {request.method}; it takes {headers['Allow']}"
            return problem(405, detail, headers=headers)
        answer = problem(error.status_code, detail)
        answer.headers.update(error.headers or {})
        return answer

    @app.exception_handler(AccessError)
    def _no_book(_request: Request, error: AccessError) -> JSONResponse:
        if isinstance(error, TooMany):
            return problem(409, str(error))
        # It names a folder, and strangers ask too.
        _log.error("%s", error)
        return problem(503, _NO_BOOK)

    @app.exception_handler(StoreError)
    def _lost(request: Request, error: StoreError) -> Response:
        _log.error("the store: %s", error)
        return _store_trouble(request, error)

    @app.exception_handler(DBAPIError)
    def _store(request: Request, error: DBAPIError) -> Response:
        _log.error("the store did not answer: %s", error.orig)
        return _store_trouble(request, error)

    @app.exception_handler(OSError)
    def _no_file_left(request: Request, error: OSError) -> Response:
        if error.errno not in (errno.EMFILE, errno.ENFILE):
            return _unexpected(request, error)
        _log.error("%s", error)
        return problem(503, "nothing was changed: too many files are open; try again in a while")

    @app.exception_handler(Exception)
    def _unexpected(request: Request, error: Exception) -> Response:
        _log.error("unexpected", exc_info=error)
        if not wants_page(request):
            return problem(500, _UNEXPECTED)
        return page(
            request,
            "shared/missing.html",
            status=500,
            title="Something went wrong",
            message=f"{capital(_UNEXPECTED)}. Load this page again, or go on"
            " with another one: the links above lead to all of them.",
        )


def wants_page(request: Request) -> bool:
    """Whether a person in a browser asks, for a page."""
    return "text/html" in request.headers.get("Accept", "") and not request.url.path.startswith(
        "/api/"
    )


def field_error(error: Any) -> dict[str, str]:
    """One of pydantic's errors, with the field's name and a sentence that says what is allowed."""
    place = [str(part) for part in error["loc"] if part not in ("body", "query", "path")]
    message = str(error["msg"])
    match error["type"]:
        case "missing":
            message = "is needed"
        case "extra_forbidden":
            message = "is not a field here; see /openapi.json for all fields"
        case "literal_error":
            message = f"must be {error['ctx']['expected']}"
        case "json_invalid":
            place, message = [], _NO_JSON
        case "model_attributes_type" | "dict_type" | "model_type":
            message = "must be a JSON object, in braces"
        case "list_type":
            message = "must be a JSON array, in brackets"
        case "string_type":
            message = "must be text, in quotes"
        case "string_too_short":
            message = "must not be empty"
        case "string_too_long":
            message = f"must be at most {error['ctx']['max_length']} characters"
        case "string_pattern_mismatch":
            message = "must not hold a slash; choose another name"
        case kind if kind.startswith(("datetime", "date_")):
            message = "must be a moment such as 2026-03-02T12:00:00Z"
        case "int_parsing" | "int_parsing_size" | "int_type" | "int_from_float":
            message = "must be a whole number"
        case "float_parsing" | "float_type" | "finite_number":
            message = "must be a number"
        case "bool_parsing" | "bool_type":
            message = "must be true or false"
        case "greater_than_equal" | "greater_than" | "less_than_equal" | "less_than":
            message = message.replace("Input should", "must")
        case "too_long" if isinstance(error["input"], str):
            message = f"must be at most {error['ctx']['max_length']} characters"
        case "too_long":
            message = f"must hold at most {error['ctx']['max_length']} entries"
        case "too_short" if error["ctx"]["min_length"] == 1:
            message = "give at least 1"
        case "too_short":
            message = f"must hold at least {error['ctx']['min_length']} entries"
        case "string_unicode":
            message = "must be Unicode text; half of a surrogate pair is none"
        case "uuid_parsing" | "uuid_type":
            message = "must be a UUID such as 01939d3e-7c1a-7000-8000-000000000000"
    return {"field": ".".join(place) or "body", "message": message}
