"""Loading old notebooks."""

from __future__ import annotations

from typing import Annotated, Literal
from uuid import UUID

from fastapi import APIRouter, Depends, Query, Request, Response

from analysis.units import Unit
from api.answers import loading, notebook
from api.answers.notebook_dates import DateOrder
from api.answers.notebook_names import named_in
from api.answers.settings import LONGEST_NAME
from api.answers.suspicious import suspicious_lines
from api.errors import InvalidField
from api.web.deps import TheAuthor, TheServer
from api.web.new_names import may_name
from api.web.problems import problem
from api.web.shapes import Out

router = APIRouter(tags=["history"])


class ToldLine(Out):
    """A line of the file by its number, the header being 1, and what is wrong with it."""

    line: int
    reason: str


class LoadedOut(Out):
    """What was stored now (in a dry run: would be), and how many trials were there before.

    suspicious: lines that are taken and hold a reading that can hardly be right.
    """

    dry_run: bool
    trials: int
    readings: int
    known: int
    series: list[UUID]
    refused: list[ToldLine]
    unused_columns: list[str]
    suspicious: list[ToldLine]


async def _body(request: Request) -> bytes:
    return await request.body()


@router.post(
    "/load",
    response_model=LoadedOut,
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {"text/csv": {"schema": {"type": "string"}}},
        }
    },
)
def load_notebook(
    request: Request,
    server: TheServer,
    author: TheAuthor,
    data: Annotated[bytes, Depends(_body)],
    dry_run: bool = False,
    strict: Annotated[bool, Query(description="take nothing where a line is refused")] = False,
    machine: Annotated[str | None, Query(max_length=LONGEST_NAME)] = None,
    method: str | None = None,
    unit: Unit | None = None,
    strip_side: Literal["left", "right"] = "left",
    dates: DateOrder = "ymd",
) -> LoadedOut | Response:
    """Load old measurements: a CSV file with one row per trial, as the documentation says.

    Lines that can't be taken are listed; the others are taken. Loading the same again adds
    nothing. The parameters are used for columns that the file does not have.
    """
    defaults = notebook.Defaults(machine, method, unit, strip_side, dates)
    with server.reading() as store:
        named = named_in(store)
    try:
        book = notebook.read_notebook(data, defaults, server.methods, named)
    except notebook.UnreadableNotebook as error:
        raise InvalidField("body", str(error)) from None
    if strict and book.refused and not dry_run:
        return problem(
            422,
            f"{len(book.refused)} lines can't be taken, so none was; correct them, or load without"
            " strict",
            [{"field": f"line {line}", "message": reason} for line, reason in book.refused],
        )
    if not dry_run:
        may_name(request, [notebook.BENCH], {line.caliper for line in book.lines})
    done = loading.load(server.engine, server.journal, book.lines, dry_run, author)
    return LoadedOut(
        dry_run=dry_run,
        trials=done.trials,
        readings=done.readings,
        known=done.known,
        series=list(done.series),
        refused=[ToldLine(line=line, reason=reason) for line, reason in book.refused],
        unused_columns=book.unused,
        suspicious=[ToldLine(**each._asdict()) for each in suspicious_lines(book.lines)],
    )
