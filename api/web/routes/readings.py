"""Readings handed over by benches and other programs."""

from __future__ import annotations

from asyncio import to_thread, wrap_future
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Annotated, Any, Final

from fastapi import APIRouter, Body, HTTPException, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.routing import APIRoute
from pydantic import TypeAdapter, ValidationError, WrapValidator
from starlette.requests import ClientDisconnect

from api.answers.moments import aware
from api.server import Server
from api.web.admitted import refuse_other_benches
from api.web.contract import only_known_parameters
from api.web.deps import TheServer, author
from api.web.new_names import may_name, may_name_soon
from api.web.problems import field_error, problem
from api.web.shapes.problems import NotTakenProblem, Problem
from api.web.shapes.readings import (
    AcknowledgementOut,
    NotTakenOut,
    OutcomeOut,
    ReadingIn,
    RefusalIn,
)
from capture.errors import PatternError
from capture.records import Reading, Refusal
from capture.values import NotUnderstood, Pattern, Value, read_typed, read_value

router = APIRouter(tags=["readings"])

_FEW: Final = 20


@dataclass(frozen=True, slots=True)
class _Wrong:
    """An entry that can't be stored: its id as it was sent, and what is wrong with which field."""

    id: str | None
    field: str
    message: str
    conflict: bool = False

    @property
    def why(self) -> str:
        return f"{self.field}: {self.message}" if self.field else self.message


def _or_wrong(value: Any, read: Callable[[Any], Any]) -> Any:
    """The entry, or what is wrong with it: one that can't be read does not block the others."""
    try:
        return read(value)
    except ValidationError as error:
        found = field_error(error.errors()[0])
        given = value.get("id") if isinstance(value, dict) else None
        # JSON can contain a lone surrogate, which no answer could carry.
        shown = str(given)[:100].encode("utf-8", "backslashreplace").decode()
        return _Wrong(None if given is None else shown, found["field"], found["message"])


_Readings = Annotated[list[Annotated[ReadingIn, WrapValidator(_or_wrong)]], Body(max_length=5000)]
_Refusals = Annotated[list[Annotated[RefusalIn, WrapValidator(_or_wrong)]], Body(max_length=5000)]
_PROBLEMS: dict[int | str, dict[str, Any]] = {
    409: {"model": NotTakenProblem | Problem, "description": "an id is known with another value"},
    422: {"model": NotTakenProblem | Problem, "description": "something can't be right"},
}


class _BodyAlone(APIRoute):
    """A route whose handler takes the body and the request and nothing else, for what is asked at
    each press: FastAPI's general way from a request to a handler took a fifth of a busy server."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        read, handler = TypeAdapter(_Readings).validate_python, self.endpoint

        async def handle(request: Request) -> Response:
            await only_known_parameters(request)
            try:
                body = read(await request.json())
            except ClientDisconnect:
                raise HTTPException(400) from None  # nobody is there to read it
            except ValidationError as error:
                raise RequestValidationError(error.errors()) from error
            except (ValueError, RecursionError) as error:
                raise RequestValidationError(
                    [{"type": "json_invalid", "loc": (), "msg": ""}]
                ) from error
            answer: Response = await handler(body, request)
            return answer

        return handle


async def add_readings(body: _Readings, request: Request) -> Response:
    """Store readings in the order given. One whose id is known is not stored again.

    `outcomes` says what became of each that was stored now. One that is `asked` about, by the
    `question` there, does not count until it is answered: by the same value again, which counts
    instead, by another one, by closed jaws, or by the bench's `take-back` and `restore`.

    Each length follows from what was sent, and is read again here. What can't be right is
    refused, alone: an answer of 422 (or 409, where every refusal is an id that is known with
    another value) says what in `refused`, and in `stored` and `known` what became of the rest.
    """
    entries: Sequence[ReadingIn | _Wrong] = body
    # Many take long, and the event loop serves everybody.
    read = _read(entries) if len(entries) <= _FEW else await to_thread(_read, entries)
    right = [r for r in read if isinstance(r, Reading)]
    refuse_other_benches(request, (r.bench for r in right))
    await may_name_soon(request, {r.bench for r in right}, {r.caliper for r in right})
    server: Server = request.app.state.server
    done = await wrap_future(server.keeping.keep(right, author(request)))
    conflicting = {id(reading) for reading in done.conflicting}
    wrong = [
        (number, each if isinstance(each, _Wrong) else _conflict(each))
        for number, each in enumerate(read)
        if isinstance(each, _Wrong) or id(each) in conflicting
    ]
    acknowledged = AcknowledgementOut(
        stored=done.stored,
        known=done.known,
        outcomes=[
            OutcomeOut(id=o.reading, kind=o.kind, question=o.question)
            for o in done.outcomes
            if o.reading is not None
        ],
    )
    return _answer(acknowledged, wrong)


router.add_api_route(
    "/readings",
    add_readings,
    methods=["POST"],
    response_model=AcknowledgementOut,
    responses=_PROBLEMS,
    route_class_override=_BodyAlone,
)


@router.post("/refusals", response_model=AcknowledgementOut, responses=_PROBLEMS)
def add_refusals(body: _Refusals, request: Request, server: TheServer) -> Response:
    """Keep what instruments of a bench elsewhere sent that is no reading."""
    entries: Sequence[RefusalIn | _Wrong] = body
    right = [each for each in entries if isinstance(each, RefusalIn)]
    refuse_other_benches(request, (each.bench for each in right))
    may_name(request, {each.bench for each in right}, {each.caliper for each in right})
    stored = 0
    wrong: list[tuple[int, _Wrong]] = []
    for number, each in enumerate(entries):
        if isinstance(each, _Wrong):
            wrong.append((number, each))
            continue
        stored += server.journal.refuse(
            Refusal(
                id=each.id,
                bench=each.bench,
                caliper=each.caliper,
                raw=each.text,
                reason=each.reason,
                heard_at=aware(each.heard_at),
            )
        )
    return _answer(AcknowledgementOut(stored=stored, known=len(body) - len(wrong) - stored), wrong)


def _answer(acknowledged: AcknowledgementOut, wrong: list[tuple[int, _Wrong]]) -> Response:
    if not wrong:
        # As it is sent: FastAPI would check it again, in a thread of its own.
        return Response(acknowledged.model_dump_json(), media_type="application/json")
    acknowledged.refused = [NotTakenOut(id=each.id, why=each.why) for _, each in wrong]
    first = wrong[0][1].why
    others = f" (and {len(wrong) - 1} more refused)" if len(wrong) > 1 else ""
    return problem(
        409 if all(each.conflict for _, each in wrong) else 422,
        f"{first}{others}; {acknowledged.stored + acknowledged.known} of this request are stored",
        [
            {"field": ".".join(filter(None, (str(n), each.field))), "message": each.message}
            for n, each in wrong
        ],
        acknowledged.model_dump(mode="json"),
    )


def _conflict(reading: Reading) -> _Wrong:
    return _Wrong(
        str(reading.id),
        "id",
        "is stored with another value; a reading never changes, so send it with an id of its own",
        conflict=True,
    )


def _read(entries: Sequence[ReadingIn | _Wrong]) -> list[Reading | _Wrong]:
    return [each if isinstance(each, _Wrong) else _reading(each) for each in entries]


@lru_cache(maxsize=64)
def _pattern(source: str) -> Pattern:
    return Pattern(source)


def _reading(body: ReadingIn) -> Reading | _Wrong:
    """The reading that `body` says, its length read again from what was sent."""

    def wrong(field: str, message: str) -> _Wrong:
        return _Wrong(str(body.id), field, message)

    try:
        pattern = None if body.pattern is None else _pattern(body.pattern)
    except PatternError as error:
        return wrong("pattern", str(error))
    typed = body.origin == "typed" and pattern is None
    value = read_typed(body.sent, body.unit) if typed else read_value(body.sent, body.unit, pattern)
    if not isinstance(value, Value):
        reason = value.reason if isinstance(value, NotUnderstood) else "an instrument's message"
        return wrong("sent", f"{body.sent!r} is no reading: {reason}")
    if body.unit is not None and value.unit != body.unit and not (typed and value.unit_in_line):
        return wrong("unit", f"is {body.unit}, but {body.sent!r} says {value.unit}; send the same")
    if body.nm is not None and body.nm != value.nm:
        return wrong(
            "nm", f"is {body.nm}, but {body.sent!r} says {value.nm} nm; send the same, or none"
        )
    return Reading(
        id=body.id,
        bench=body.bench,
        caliper=body.caliper,
        sent=body.sent,
        unit=value.unit,
        nm=value.nm,
        taken_at=body.moment(),
        origin=body.origin,
        since_previous_ms=body.since_previous_ms,
        late=body.late,
    )
