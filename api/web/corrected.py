"""What every request that corrects a resource has in common: its tag, and the dry run."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import Annotated, TypeVar

from fastapi import Header, HTTPException, Query, Response
from pydantic import BaseModel
from sqlalchemy import Connection

from api.server import Server
from api.store.trail import By
from api.web.shapes import Correction

Answer = TypeVar("Answer", bound=BaseModel)
IfMatch = Annotated[
    str | None, Header(description="the ETag of what is corrected; another one is 412")
]
DryRun = Annotated[bool, Query(description="answer what would be, and store nothing")]


def by(body: Correction) -> By:
    return By(body.who, body.reason)


def given(body: Correction) -> dict[str, object]:
    """The fields that a request wants otherwise, by name."""
    return body.model_dump(exclude_unset=True, exclude={"who", "reason"})


def tag(found: BaseModel) -> str:
    """The ETag of an answer (RFC 9110, section 8.8.3)."""
    return f'"{hashlib.sha256(found.model_dump_json().encode()).hexdigest()[:32]}"'


def corrected(
    server: Server,
    response: Response,
    read: Callable[[Connection], Answer],
    correct: Callable[[], None],
    if_match: str | None,
    dry_run: bool,
) -> Answer:
    """Correct what `read` gives, unless it is no longer what the request knew; as it is then.

    Raises HTTPException 412 where it is not.
    """
    with server.reading() as store:
        before = tag(read(store))
    if if_match is not None and if_match.strip() not in ("*", before):
        raise HTTPException(
            412, "it was changed since you read it; read it again, and correct what it says now"
        )
    if dry_run:
        with server.journal.transactions.dry_run() as store:
            correct()
            return read(store)
    correct()
    with server.reading() as store:
        after = read(store)
    response.headers["ETag"] = tag(after)
    return after
