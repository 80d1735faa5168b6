"""The database's error messages, translated into sentences that say what to do."""

from __future__ import annotations

from typing import Final

from sqlalchemy.exc import DBAPIError

_DAMAGED: Final = (
    "the database's files are damaged; check them with pg_amcheck, copy what can be read with"
    " pg_dump, and restore a backup"
)
# Parts of the messages of SQLite (sqlite.org/rescode.html), libpq and PostgreSQL.
_SENTENCES: Final = (
    ("disk is full", "the disk is full; make room on it"),
    ("no space left", "the disk is full; make room on it"),
    ("is locked", "another program holds the store's file; close what has it open"),
    ("readonly database", "the store may not be written; see to the rights of its file and folder"),
    ("read-only", "the store may not be written now; see to the database's rights"),
    ("disk i/o error", "the disk does not answer as it should; see to it, and to a backup"),
    ("malformed", "the store's file is damaged; restore a backup"),
    ("not a database", "the store's file is damaged; restore a backup"),
    ("unable to open database", "the store's file cannot be opened; see that it is there"),
    ("deadlock", "another program wrote the same at the same moment"),
    ("no such table", "the store's tables are gone; restore a backup"),
    ('relation "', "the store's tables are gone; restore a backup"),
    ("invalid page", _DAMAGED),
    ("could not read block", _DAMAGED),
    ("missing chunk", _DAMAGED),
    ("timeout", "the database does not answer in time; see that it runs"),
    ("connection", "the database does not answer; see that it runs and can be reached"),
    ("server closed", "the database does not answer; see that it runs and can be reached"),
    ("shutting down", "the database is being stopped; start it again"),
    ("starting up", "the database is still starting"),
)


def sentence(error: BaseException) -> str:
    """What is wrong with the store, and what to do, without any statement or address."""
    said = str(error.orig if isinstance(error, DBAPIError) else error).lower()
    for words, meant in _SENTENCES:
        if words in said:
            return meant
    return "the store does not take it; the program's log says more"
