"""Upgrading a store to the present schema, step by step, with Alembic.

A new step: change `tables`, add versions/NNNN_what.py with `upgrade` alone (a store never
goes back; a backup does that), set HEAD, and make fixtures/stores/NNNN.sqlite of the step
before, from which a test then comes up.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Final

from sqlalchemy import Connection, Engine, inspect, text
from sqlalchemy.exc import DBAPIError

from api.store.backup import copy_beside
from api.store.engine import StoreError, begin_writing
from api.store.tables import Base
from api.store.urls import shown

# The newest step in versions/; a test holds it to what Alembic finds there.
HEAD: Final = "0006"
_MOVING: Final = "moving from "
_UPGRADE_LOCK: Final = 8018


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
    name = source.url.set(password=None).render_as_string()
    return _MOVING + hashlib.sha256(name.encode()).hexdigest()[:16]


def check(connection: Connection) -> None:
    """Raise StoreError, saying what to do, where the store is not at HEAD."""
    at = revision(connection)
    if at is None:
        raise StoreError("there is no store here yet; give the folder or URL of one")
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
    if at < HEAD:
        raise StoreError(
            f"this store is at step {at}, the program at {HEAD}; start bothends serve on it"
            " once, which brings it up to date"
        )


def upgrade(engine: Engine, to: str = HEAD) -> None:
    """Bring the store to HEAD (or to an earlier step), all in one transaction.

    An SQLite store that holds something is copied first, to a file beside it. Servers that
    start together wait for each other.
    Raises StoreError where the store was made by a newer program than this, holds something
    else, or does not answer.
    """
    try:
        with engine.connect() as connection:
            if revision(connection) == to:
                return  # without waiting for the write lock
        with engine.connect() as connection:
            begin_writing(connection)
            with connection.begin():
                _upgrade(connection, to)
    except DBAPIError as error:
        raise StoreError(
            f"the store at {shown(engine.url)} cannot be used"
            f" ({str(error.orig).strip()}); check that it is there, that it may be written,"
            " and that its address is right"
        ) from None


def _upgrade(connection: Connection, to: str) -> None:
    if connection.dialect.name == "postgresql":
        connection.execute(text(f"SELECT pg_advisory_xact_lock({_UPGRADE_LOCK})"))
    at = revision(connection)
    if at is not None and at > HEAD:
        check(connection)
    if at is not None and at >= to:
        return
    if at is not None:
        copy_beside(connection, f"before-{to}")
    # Used for an upgrade only, and it would keep 8 MB of the 128 that a server holds.
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, to)
