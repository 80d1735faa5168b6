"""A connection that reads one snapshot of the store."""

from __future__ import annotations

from sqlalchemy import Connection, Engine


def snapshot(engine: Engine) -> Connection:
    """A connection whose queries all see the store as of its first; close it when done."""
    connection = engine.connect()
    if connection.dialect.name == "postgresql":
        # SQLite's transactions are snapshots by themselves.
        connection = connection.execution_options(
            isolation_level="REPEATABLE READ", postgresql_readonly=True
        )
    return connection
