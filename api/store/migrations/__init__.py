"""Upgrading a store to the present schema, step by step, with Alembic.

A new step: change `tables`, add versions/NNNN_what.py with `upgrade` alone (a store never
goes back; a backup does that), set HEAD in `schema_step`, and make fixtures/stores/NNNN.sqlite
of the step before, from which a test then comes up.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

from sqlalchemy import Connection, Engine, text
from sqlalchemy.exc import DBAPIError

from api.store import damage, schema_step
from api.store.backup import copy_beside
from api.store.engine import DamagedStore, StoreError, begin_writing
from api.store.urls import shown

_UPGRADE_LOCK: Final = 8018
ASIDES_SINCE: Final = "0011"


def upgrade(engine: Engine, to: str = schema_step.HEAD) -> None:
    """Bring the store to the newest step (or to an earlier step), all in one transaction.

    An SQLite store that holds something is copied first, to a file beside it. Servers that
    start together wait for each other.
    Raises StoreError where the store was made by a newer program than this, holds something
    else, or does not answer, and DamagedStore where it is damaged.
    """
    try:
        with engine.connect() as connection:
            if schema_step.revision(connection) == to:
                return  # without waiting for the write lock
        with engine.connect() as connection:
            begin_writing(connection)
            with connection.begin():
                _upgrade(connection, to)
    except DBAPIError as error:
        # What is no database at all was never a store.
        why = damage.meant(error)
        if why and "not a database" not in str(error.orig):
            raise DamagedStore(why) from None
        raise StoreError(
            f"the store at {shown(engine.url)} cannot be used"
            f" ({str(error.orig).strip()}); check that it is there, that it may be written,"
            " and that its address is right"
        ) from None


def _upgrade(connection: Connection, to: str) -> None:
    if connection.dialect.name == "postgresql":
        connection.execute(text(f"SELECT pg_advisory_xact_lock({_UPGRADE_LOCK})"))
    at = schema_step.revision(connection)
    if at is not None and at > schema_step.HEAD:
        schema_step.check(connection)
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
    if at is not None and at < ASIDES_SINCE <= to:
        # By the program's own fold, which knows the newest step alone.
        from api.store.asides import fill

        fill(connection)
