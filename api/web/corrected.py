"""What every request that corrects a resource has in common: `ETag` and `If-Match` (RFC 9110), so
that nothing is corrected that was not seen, and the dry run."""

from __future__ import annotations

from collections.abc import Callable
from hashlib import sha256
from typing import Annotated, TypeVar

from fastapi import Header, HTTPException, Query, Response
from pydantic import BaseModel
from sqlalchemy import Connection

from api.server import Server

Answer = TypeVar("Answer", bound=BaseModel)
Key = TypeVar("Key")
IfMatch = Annotated[
    str | None, Header(description="the ETag of what is corrected; 412 where it has changed since")
]
DryRun = Annotated[bool, Query(description="answer what would be, and store nothing")]


def etag(body: bytes) -> str:
    """The strong tag of an answer as it is sent."""
    return f'"{sha256(body).hexdigest()[:32]}"'


def tag(found: BaseModel) -> str:
    return etag(found.model_dump_json().encode())


def check_match(if_match: str, present: str) -> None:
    """Raise HTTPException 412 where `if_match` does not name the tag `present`."""
    if if_match.strip() != "*" and present not in (each.strip() for each in if_match.split(",")):
        raise HTTPException(
            412,
            "nothing was changed: it is not as you saw it any more; read it again, and correct it"
            " if it is still wrong",
        )


def as_corrected(
    server: Server,
    correct: Callable[[], Key],
    read: Callable[[Connection, Key], Answer],
    dry_run: bool,
) -> Answer:
    """What `read` gives of what `correct` names, as it is then; or as it would be."""
    if dry_run:
        with server.journal.transactions.dry_run() as store:
            return read(store, correct())
    key = correct()
    with server.reading() as store:
        return read(store, key)


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
    if if_match is not None:
        check_match(if_match, before)
    found = as_corrected(server, correct, lambda store, _: read(store), dry_run)
    if not dry_run:
        response.headers["ETag"] = tag(found)
    return found
