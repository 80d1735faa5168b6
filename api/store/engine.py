"""Opening a store: an engine with the settings that keep every reading safe."""

from __future__ import annotations

import logging
import sqlite3
import time
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, DisconnectionError

from api.store import statements
from api.store.identity import LostFile, SameFile, identity
from api.store.urls import shown
from capture.installed import add_command

CHANNEL: Final = "bothends"
"""PostgreSQL's channel for notices of committed events (LISTEN, NOTIFY)."""


_TRUSTED_S: Final = 1.0
_BUSY_S: Final = 10.0
_HELD: Final[list[sqlite3.Connection]] = []
_log = logging.getLogger(__name__)


class StoreError(Exception):
    """The store cannot be used as it is; the message says what to do."""


class GoneStore(StoreError):
    """The store's file was moved, deleted or replaced while it was open."""


class DamagedStore(StoreError):
    """The store is damaged, and nothing may be written to it."""


def sqlite_url(folder: Path) -> str:
    """The URL of the SQLite file that `folder` keeps its store in."""
    return sqlite_file_url(file_in(folder))


def file_in(folder: Path) -> Path:
    """The SQLite file that `folder` keeps its store in."""
    return folder / "bothends.sqlite"


def sqlite_file_url(path: Path, *, read_only: bool = False) -> str:
    """The URL of an SQLite file; with `read_only`, no program may write to it meanwhile."""
    if not read_only:
        return URL.create("sqlite", database=str(path)).render_as_string()
    query = {"mode": "ro", "immutable": "1", "uri": "true"}
    name = path.absolute().as_uri()
    return URL.create("sqlite", database=name, query=query).render_as_string()


def read_only(path: Path, *, immutable: bool = False, **options: Any) -> sqlite3.Connection:
    """A connection that writes nothing to the SQLite file at `path`.

    With `immutable` no companion files are made either; then no program may write to it meanwhile.
    Raises sqlite3.Error; `options` are those of sqlite3.connect.
    """
    # Of an empty file SQLite would delete the log nevertheless, and it may hold all that is left.
    if path.exists() and not path.stat().st_size:
        immutable = True
    name = f"{path.absolute().as_uri()}?mode=ro{'&immutable=1' if immutable else ''}"
    connection: sqlite3.Connection = sqlite3.connect(name, uri=True, **options)
    return connection


def files_of(path: Path) -> list[Path]:
    """The SQLite file at `path`, and those that SQLite keeps beside it, whether or not they are
    there."""
    return [path.with_name(path.name + end) for end in ("", "-wal", "-shm", "-journal")]


def sqlite_file(url: URL) -> Path | None:
    """The file of an SQLite store, None for a store that is no file."""
    name = url.database
    if url.get_backend_name() != "sqlite" or not name or ":memory:" in name:
        return None
    return Path(name)


def open_engine(url: str) -> Engine:
    """An engine on the store at `url`, which need not exist yet.

    Raises StoreError where the URL names no store of a kind that is kept here.
    """
    try:
        parsed = make_url(url)
    except (ArgumentError, ValueError):
        raise StoreError(
            f"the database URL {shown(url)} cannot be read; give one such as"
            " sqlite:////home/me/shop.sqlite"
        ) from None
    try:
        if parsed.get_backend_name() == "sqlite":
            return _open_sqlite(parsed.set(drivername="sqlite"))
        if parsed.get_backend_name() == "postgresql":
            return _open_postgresql(parsed.set(drivername="postgresql+psycopg"))
    except (ArgumentError, ValueError):
        raise StoreError(
            f"the database URL {shown(url)} does not name a store; give one such as"
            " sqlite:////home/me/shop.sqlite or postgresql://NAME@HOST/shop"
        ) from None
    raise StoreError(
        f"a store is kept in SQLite or PostgreSQL, not in {parsed.get_backend_name()};"
        " give a sqlite: or postgresql: URL"
    )


def begin_writing(connection: Connection) -> Connection:
    """`connection`, marked so that its transactions take the write lock at their start.

    In SQLite a transaction that first reads and then writes fails when another one wrote in
    between; one that takes the write lock at its start waits instead.
    """
    return connection.execution_options(bothends_writes=True)


class Writer:
    """One connection for writing, kept between calls and outside the pool.

    So a press never waits for readers: long downloads may hold every connection of the pool. Not
    thread-safe.
    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._connection: Connection | None = None
        self._used_at = 0.0
        path = sqlite_file(engine.url)
        self._file = None if path is None else SameFile(path)
        self._log = None if path is None else path.with_name(f"{path.name}-wal")
        self._wal: SameFile | None = None
        if self._file is not None:
            event.listen(engine, "do_connect", self._only_to_the_same)

    def take(self) -> Connection:
        """The connection, not in a transaction; its transactions take the write lock at once.

        Raises GoneStore where the store's file was moved, deleted or replaced.
        """
        self.check()
        now = time.monotonic()
        if now - self._used_at > _TRUSTED_S and not self._still_there():
            self.close()
        if self._connection is None:
            self._connection = begin_writing(self._engine.connect())
            self._connection.detach()
        self._used_at = now
        return self._connection

    def check(self) -> None:
        """Raise GoneStore where the store's file was moved, deleted or replaced."""
        if self._file is not None:
            try:
                self._file.check()
            except LostFile as error:
                raise GoneStore(str(error)) from None

    def confirm(self) -> None:
        """Raise GoneStore where the last commit may be in a file that was deleted or moved."""
        self.check()
        if self._log is None:
            return
        if self._wal is None:
            self._wal = SameFile(self._log)  # it exists while a connection that wrote is open
        elif not self._wal.same:
            self._rescue(self._log)

    def _rescue(self, wal: Path) -> None:
        """Write the contents of a log that was deleted while in use into the store's file."""
        if identity(wal) is not None and wal.stat().st_size:
            raise GoneStore(
                f"{wal} was taken away while it was in use, and another program writes there now;"
                " stop both, restore a backup, and start one again"
            )
        assert self._connection is not None
        driver: Any = self._connection.connection.dbapi_connection
        busy, *_ = driver.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        if busy:
            raise GoneStore(f"{wal} was taken away while it was in use; stop what reads the store")
        _log.warning("%s was taken away; what it held is in the store", wal)
        # Pooled connections still have the old log open, and would see no later commit.
        self._engine.dispose()

    def _only_to_the_same(self, *_asked: object) -> None:
        # SQLite would make an empty file where there is none.
        if self._file is not None and not self._file.same:
            raise sqlite3.OperationalError("unable to open database file")

    def close(self) -> None:
        """Close the connection; also after a failure, whatever its state.

        It is not rolled back first: the database may be gone, and closing ends its transaction.
        """
        connection, self._connection = self._connection, None
        self._wal = None
        if connection is None or connection.invalidated:
            return
        driver = connection.connection.dbapi_connection
        assert driver is not None
        connection.invalidate()
        driver.close()

    def _still_there(self) -> bool:
        return self._connection is not None and _answers(
            self._engine, self._connection.connection.dbapi_connection
        )


def _answers(engine: Engine, driver: Any) -> bool:
    """Whether the database still answers; an SQLite file always does."""
    if engine.dialect.name == "sqlite":
        return True
    try:
        return engine.dialect.do_ping(driver)
    except engine.dialect.loaded_dbapi.Error:
        return False


def _open_sqlite(url: URL) -> Engine:
    engine = create_engine(url, connect_args={"timeout": _BUSY_S, "check_same_thread": False})

    if "immutable" not in url.query:
        event.listen(engine, "connect", _use_wal)

    @event.listens_for(engine, "connect")
    def _settings(dbapi_connection: Any, _record: object) -> None:
        # The driver begins too late, and never with a write lock; _begin below does it.
        dbapi_connection.isolation_level = None
        cursor = dbapi_connection.cursor()
        # FULL: a commit is on the disk before it is acknowledged, so a power cut loses none.
        cursor.execute("PRAGMA synchronous=FULL")
        cursor.execute("PRAGMA foreign_keys=ON")
        # So that INSERT OR REPLACE runs the append-only triggers too.
        cursor.execute("PRAGMA recursive_triggers=ON")
        cursor.close()

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get("bothends_writes", False)
        with statements.translated(connection):
            connection.connection.cursor().execute("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def only_read(engine: Engine) -> None:
    """From now on, the connections of an SQLite engine write nothing to its file."""
    path = sqlite_file(engine.url)
    assert path is not None

    def connect(_dialect: object, _record: object, _args: object, options: Any) -> Any:
        return read_only(path, **options)

    event.listen(engine, "do_connect", connect)
    event.remove(engine, "connect", _use_wal)
    with suppress(sqlite3.Error):
        # Whichever connection closes last writes the log into the file, unless it only reads. So
        # one that only reads stays open until this process ends.
        held = connect(None, None, None, {"check_same_thread": False})
        _HELD.append(held)
        held.execute("PRAGMA schema_version").fetchone()
    engine.dispose()


def _use_wal(connection: sqlite3.Connection, _record: object) -> None:
    """Set the file's journal mode to write-ahead log.

    When several connections do this to a new file at once, SQLite fails all but one immediately:
    its `timeout` does not apply to a transaction that has read and then wants to write.
    """
    until = time.monotonic() + _BUSY_S
    while True:
        try:
            connection.execute("PRAGMA journal_mode=WAL")
            return
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() > until:
                raise
        time.sleep(0.01)


def _open_postgresql(url: URL) -> Engine:
    try:
        import psycopg  # noqa: F401
    except ImportError:
        command = add_command("psycopg[binary]")
        raise StoreError(f"PostgreSQL needs one more package; run: {command}") from None
    engine = create_engine(url)

    # Like `pool_pre_ping`, but not for a connection that was used a moment ago, so that presses
    # close together do not ping each time.
    @event.listens_for(engine, "checkin")
    def _rests(_driver: object, record: Any) -> None:
        record.info["rests_since"] = time.monotonic()

    @event.listens_for(engine, "checkout")
    def _still_there(driver: Any, record: Any, _proxy: object) -> None:
        now = time.monotonic()
        rested = now - record.info.get("rests_since", now) > _TRUSTED_S
        if rested and not _answers(engine, driver):
            raise DisconnectionError

    return engine
