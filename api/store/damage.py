"""Damage of an SQLite store: how it is recognised, and how the whole file is looked through."""

from __future__ import annotations

import sqlite3
import threading
import time
from concurrent.futures import Future
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Final

from sqlalchemy.exc import DBAPIError

from api.store.engine import read_only

# https://sqlite.org/rescode.html; a read that is too short means a file that was cut off.
_CODES: Final = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_SHORT_READ: Final = sqlite3.SQLITE_IOERR_SHORT_READ
# Errors without a code of their own: what the program asks for was there when it began.
_WORDS: Final = {
    "no such table": "a table is gone",
    "could not decode": "it holds text that is none",
}


def meant(error: BaseException) -> str:
    """What is wrong with the file of the SQLite store, where `error` means that it is damaged;
    otherwise empty."""
    cause = error.orig if isinstance(error, DBAPIError) else error
    if not isinstance(cause, sqlite3.Error):
        return ""
    code = getattr(cause, "sqlite_errorcode", sqlite3.SQLITE_ERROR)
    if code & 0xFF in _CODES or code == _SHORT_READ:
        return "a part of it cannot be read"
    said = str(cause).lower()
    return next((meaning for words, meaning in _WORDS.items() if words in said), "")


def found_in(path: Path, seconds: float | None = None, *, rows: bool = False) -> str:
    """What is wrong with the file at `path`, empty where all is well: every page is read, and with
    `rows` every row must point to rows that are there.

    Gives up after about `seconds`; then nothing was found.
    """
    until = None if seconds is None else time.monotonic() + seconds
    try:
        with closing(read_only(path)) as store:
            if until is not None:
                store.set_progress_handler(partial(_over, until), 10_000)
            ((said,),) = store.execute("PRAGMA quick_check(1)").fetchall()
            if said != "ok":
                return "its pages contradict each other"
            if rows and store.execute("PRAGMA foreign_key_check").fetchone():
                return "rows are missing in it"
    except sqlite3.Error as error:
        return meant(error)
    return ""


def _over(until: float) -> bool:
    return time.monotonic() > until


def looked_through(path: Path) -> Future[str]:
    """What `found_in` will say of the file at `path`, without a limit of time.

    The program's end does not wait for it.
    """
    answer: Future[str] = Future()
    threading.Thread(
        target=lambda: answer.set_result(found_in(path)), name="damage check", daemon=True
    ).start()
    return answer
