"""What every request that corrects a resource has in common: `ETag` and `If-Match` (RFC 9110),
compared in the transaction that writes, so that nothing is corrected that was not seen; and the
dry run."""

from __future__ import annotations

from collections.abc import Callable
from hashlib import sha256
from typing import Annotated, Any, Final, Literal, TypeVar
from uuid import UUID

from fastapi import Header, HTTPException, Query, Response
from pydantic import BaseModel
from sqlalchemy import Connection

from api.answers.series import many_scored
from api.errors import InvalidField
from api.server import Server
from api.store.rows.series import latest_series, many_series
from api.store.trail import Seen
from api.web.convert.series_list import series_line
from api.web.shapes import CorrectionIn
from api.web.shapes.corrections import ResultMovedOut, ResultsOut
from api.web.shapes.series_list import SeriesLine

Answer = TypeVar("Answer", bound=BaseModel)
Key = TypeVar("Key")
IfMatch = Annotated[
    str | None, Header(description="the ETag of what is corrected; 412 where it has changed since")
]
DryRun = Annotated[
    bool | Literal["results"],
    Query(
        description="true: answer what would be, and store nothing; results: answer which results"
        " would move"
    ),
]
LOOKED_AT: Final = 20
"""Of the series that are corrected, and of the latest of all, so many are compared in a dry run:
presses wait meanwhile."""


def said(body: CorrectionIn, *needed: str) -> dict[str, Any]:
    """The corrected values, as the store has them. Raises InvalidField where one that is needed is
    null."""
    values = body.given()
    for name in needed:
        if name in values and values[name] is None:
            raise InvalidField(name, "cannot be empty; leave it out to keep it as it is")
    for text in ("note", "certificate"):
        if text in values:
            values[text] = values[text] or None
    return values


def etag(body: bytes) -> str:
    """The strong tag of an answer as it is sent."""
    return f'"{sha256(body).hexdigest()[:32]}"'


def tag(found: BaseModel) -> str:
    return etag(found.model_dump_json().encode())


def seen(if_match: str | None, present: Callable[[Connection], str]) -> Seen | None:
    """What raises HTTPException 412 where `if_match` does not name the tag that is present then."""
    if if_match is None:
        return None
    named = [each.strip() for each in if_match.split(",")]

    def check(connection: Connection) -> None:
        if named != ["*"] and present(connection) not in named:
            raise HTTPException(
                412,
                "nothing was changed: it is not as you saw it any more; read it again, and correct"
                " it if it is still wrong",
            )

    return check


def as_corrected(
    server: Server,
    correct: Callable[[], Key],
    read: Callable[[Connection, Key], Answer],
    dry_run: bool | Literal["results"],
) -> Answer | ResultsOut:
    """What `read` gives of what `correct` names, as it is then; or as it would be; or which results
    would move."""
    if dry_run == "results":
        return _results(server, correct)
    if dry_run:
        with server.journal.transactions.dry_run() as would:
            return read(would.connection, correct())
    key = correct()
    with server.reading() as store:
        return read(store, key)


def _results(server: Server, correct: Callable[[], object]) -> ResultsOut:
    """Which results `correct` would move: of the series that it corrects, and of others that rest
    on them."""
    with server.journal.transactions.dry_run() as would:
        correct()
        corrected = would.series_corrected()
        of = sorted(corrected, reverse=True)[:LOOKED_AT]
        of += latest_series(would.connection, limit=LOOKED_AT)
        after = _lines(would.connection, of)
    with server.reading() as store:
        before = _lines(store, of)
    moved = [
        ResultMovedOut(before=before.get(each), after=after[each])
        for each in after
        if each not in before or _said(before[each]) != _said(after[each])
    ]
    return ResultsOut(corrected=len(corrected), looked_at=len(after), moved=moved)


def _lines(store: Connection, ids: list[UUID]) -> dict[UUID, SeriesLine]:
    there = many_series(store, ids)
    return {row.row.id: series_line(row) for row in many_scored(store, list(there))}


def _said(line: SeriesLine) -> object:
    quantities = {
        name: (q.mean, q.expanded_uncertainty, q.verdict) for name, q in line.quantities.items()
    }
    return line.machine.id, line.trials, quantities


def corrected(
    server: Server,
    response: Response,
    read: Callable[[Connection], Answer],
    correct: Callable[[Seen | None], None],
    if_match: str | None,
    dry_run: bool | Literal["results"],
) -> Answer | ResultsOut:
    """Correct what `read` gives, unless it is no longer what the request knew; as it is then.

    Raises HTTPException 412 where it is not.
    """
    still = seen(if_match, lambda connection: tag(read(connection)))
    found = as_corrected(server, lambda: correct(still), lambda store, _: read(store), dry_run)
    if not dry_run:
        response.headers["ETag"] = tag(found)
    return found
