"""The stop that a request names."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from sqlalchemy import Row

from api.errors import InvalidField, NotFound
from api.server import Server
from api.store.rows.machines import parse_id
from api.store.rows.stops import stop_of


def stop_named(server: Server, machine_id: UUID, text: str) -> Row[Any]:
    """The stop of a machine that a body names by id or name. Raises InvalidField where there is
    none."""
    try:
        with server.reading() as store:
            return stop_of(store, machine_id, parse_id(text))
    except NotFound as error:
        raise InvalidField("stop", str(error)) from None
