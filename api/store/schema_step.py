"""Which step of the schema a store is at, and whether this program can use it."""

from __future__ import annotations

import hashlib
from typing import Final

from sqlalchemy import Connection, Engine, inspect, text

from api.store.engine import StoreError
from api.store.tables import Base

# The newest step in versions/; a test holds it to what Alembic finds there.
HEAD: Final = "0012"
_MOVING: Final = "moving from "


def revision(connection: Connection) -> str | None:
    """The schema step of the store, None for an empty one.

    Raises StoreError where there are tables of another program.
    """
    tables = set(inspect(connection).get_table_names())
    if "alembic_version" in tables and "readings" in tables:
        step: str | None = connection.execute(
            text("SELECT version_num FROM alembic_version")
        ).scalar()
        return step
    if tables & {"alembic_version", *Base.metadata.tables}:
        raise StoreError(
            "this database holds tables of another program; give a database of its own to bothends"
        )
    return None


def moving_mark(source: Engine) -> str:
    """The value that replaces the step in a store that is being filled from `source`."""
    name = source.url._replace(password=None).render_as_string()
    return _MOVING + hashlib.sha256(name.encode()).hexdigest()[:16]


def refuse_unknown(at: str) -> None:
    """Raise StoreError, saying what to do, where this program does not know the step `at`."""
    if at.startswith(_MOVING):
        raise StoreError(
            "this store is being filled by bothends move; let that end, or run it again if it"
            " was interrupted"
        )
    if at > HEAD:
        raise StoreError(
            f"this store is at step {at} and this program knows steps up to {HEAD}:"
            " it was written by a newer bothends; upgrade the program, or open a backup"
        )


def check(connection: Connection) -> None:
    """Raise StoreError, saying what to do, where the store is not at HEAD."""
    at = revision(connection)
    if at is None:
        raise StoreError("there is no store here yet; give the folder or URL of one")
    refuse_unknown(at)
    if at < HEAD:
        raise StoreError(
            f"this store is at step {at}, the program at {HEAD}; start bothends serve on it"
            " once, which brings it up to date"
        )
