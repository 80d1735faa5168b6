"""Bringing a store to the present schema, step by step, with Alembic."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from sqlalchemy import Engine, inspect, text

from api.store.engine import StoreError

# The newest step in versions/; a test holds it to what Alembic finds there.
HEAD: Final = "0001"


def revision(engine: Engine) -> str | None:
    """The step the store stands at, None for an empty one."""
    with engine.connect() as connection:
        if not inspect(connection).has_table("alembic_version"):
            return None
        step: str | None = connection.execute(
            text("SELECT version_num FROM alembic_version")
        ).scalar()
        return step


def upgrade(engine: Engine) -> None:
    """Bring the store to HEAD, each step in one transaction with its record.

    Raises StoreError where the store was made by a newer program than this.
    """
    at = revision(engine)
    if at == HEAD:
        return
    if at is not None and at > HEAD:
        raise StoreError(
            f"this store is at step {at} and this program knows steps up to {HEAD}:"
            " it was written by a newer bothends; upgrade the program, or open a backup"
        )
    # Alembic is needed on the day of an upgrade only, and costs 10 MB.
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent).replace("%", "%%"))
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, HEAD)
