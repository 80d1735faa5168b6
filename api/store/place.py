"""What is at the place of an SQLite store, found out without writing a byte there."""

from __future__ import annotations

import shlex
import sqlite3
import stat
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from api.store import damage, schema_step
from api.store.engine import StoreError, file_in, read_only, sqlite_file_url
from api.store.pages import MAGIC
from api.store.tables import Base

_TABLES: Final = frozenset(Base.metadata.tables)
# The step that brought a table which the first one did not.
_SINCE: Final = {
    "rules_said": "0007",
    "people": "0008",
    "changes": "0008",
    "stops": "0010",
    "works": "0010",
    "asides": "0011",
}
# Tables of these names are in no other program's database; machines or events may be.
_OURS_ALONE: Final = frozenset(("benches", "refusals", "setup_changes", "trial_readings"))
# What the first pages of a store hold, even where its header is damaged.
_SIGNS: Final = tuple(f"CREATE TABLE {name} ".encode() for name in _OURS_ALONE)
_SIGN_WITHIN: Final = 1 << 20  # bytes


@dataclass(frozen=True, slots=True)
class Found:
    """`nothing`: no file, or one in which nothing is stored yet. `store`: one at the schema step
    `step`. `damaged`: a store, and `why` says what is wrong with its file."""

    state: Literal["nothing", "store", "damaged"]
    why: str = ""
    step: str = schema_step.HEAD


def look(path: Path) -> Found:
    """What is at `path`.

    Reads the file's first megabyte at most, and its list of tables. Raises StoreError, saying what
    to do, where it is anything but a store.
    """
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode):
            raise StoreError(f"{path} is no file but a folder or a device; give another place")
        with path.open("rb") as file:
            start = file.read(_SIGN_WITHIN)
    except FileNotFoundError:
        start = b""
    except OSError as error:
        raise StoreError(
            f"{path} cannot be read ({error.strerror}); see to its rights, or give another place"
        ) from None
    if not start:
        # SQLite would delete the log of an empty file, and with it what was committed last.
        if log_of(path) is not None:
            return Found("damaged", "it is not there or empty, but its log is there")
        return Found("nothing")
    if not start.startswith(MAGIC):
        if any(sign in start for sign in _SIGNS):
            return Found("damaged", "its first page is overwritten")
        raise StoreError(f"{path} is no database; {_ELSEWHERE}")
    try:
        return _look_inside(path)
    except sqlite3.DatabaseError as error:
        if not damage.meant(error):
            return Found("store")  # locked, say: opening it says so
        # Another program's, perhaps; but nothing is written to what is damaged.
        return Found("damaged", "its list of tables cannot be read")


_ELSEWHERE: Final = (
    "it is left as it is. Give bothends a folder of its own with --data, or a file that is not"
    " there yet"
)


def _look_inside(path: Path) -> Found:
    with closing(_open(path)) as connection:
        names = {name for (name,) in connection.execute("SELECT name FROM sqlite_master")}
        marks = [connection.execute(f"PRAGMA {n}").fetchone()[0] for n in _MARKS]
        if not names and not any(marks):
            return Found("nothing")
        if not (names & _OURS_ALONE):
            raise StoreError(f"{path} is a database of another program; {_ELSEWHERE}")
        row = None
        if "alembic_version" in names:
            row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
        if row is None or not isinstance(row[0], str):
            return Found("damaged", "it does not say which step it is at")
        needed = {name for name in _TABLES if _SINCE.get(name, "") <= row[0]}
        if row[0] <= schema_step.HEAD and (missing := sorted(needed - names)):
            return Found("damaged", f"it has no table {missing[0]}")
        return Found("store", step=row[0])


def options(store: Path, data: Path | None = None) -> str:
    """The options by which a command that is pasted anywhere acts on the SQLite file `store` and on
    the folder `data` of its small files; without `data`, its own folder where it has the usual
    name."""
    store = store.absolute()
    folder = store.parent if data is None else data.absolute()
    if store == file_in(folder):
        return f"--data {shlex.quote(str(folder))}"
    db = f"--db {shlex.quote(sqlite_file_url(store))}"
    return db if data is None else f"{db} --data {shlex.quote(str(folder))}"


# What other programs write into the header of a database that is theirs.
_MARKS: Final = ("application_id", "user_version")


def log_of(path: Path) -> Path | None:
    """The write-ahead log of the SQLite file at `path`; None where it holds nothing."""
    log = path.with_name(f"{path.name}-wal")
    return log if log.exists() and log.stat().st_size else None


def _open(path: Path) -> sqlite3.Connection:
    """A connection that changes neither the file nor its log."""
    # Without a log, so that no companion files are made either.
    return read_only(path, immutable=log_of(path) is None)
