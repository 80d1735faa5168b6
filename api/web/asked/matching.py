"""`ETag` and `If-Match` (RFC 9110): a correction of what was not seen is not made."""

from __future__ import annotations

from hashlib import sha256
from typing import Annotated
from uuid import UUID

from fastapi import Header, HTTPException
from sqlalchemy import Connection

from api.answers import series
from api.server import Server
from api.web import convert
from api.web.kept import KeptAnswers

IfMatch = Annotated[
    str | None, Header(description="the series' ETag: 412 where it has changed since")
]


def series_body(store: Connection, kept: KeptAnswers, series_id: UUID) -> bytes:
    """A series as it is sent. Raises NotFound where there is none."""

    def answer() -> bytes:
        return convert.series_out(series.series(store, series_id)).model_dump_json().encode()

    return kept.get(store, series_id, answer)


def etag(body: bytes) -> str:
    return f'"{sha256(body).hexdigest()[:32]}"'


def check_series_match(
    server: Server, kept: KeptAnswers, series_id: UUID, if_match: str | None
) -> None:
    """Answer 412 where `if_match` is given and the series is not as it says.

    Raises NotFound where there is no such series.
    """
    if if_match is None:
        return
    with server.reading() as store:
        now = etag(series_body(store, kept, series_id))
    if now not in (tag.strip() for tag in if_match.split(",")) and if_match.strip() != "*":
        raise HTTPException(
            412,
            "nothing was changed: the series is not as you saw it any more; read it again, and"
            " correct it if it is still wrong",
        )
