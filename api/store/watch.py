"""Notices what other processes commit to the same store.

PostgreSQL notifies (LISTEN, NOTIFY). SQLite can't: its `PRAGMA data_version` is polled four times
a second, which costs some microseconds.
"""

from __future__ import annotations

import logging
import selectors
import socket
import threading
from collections.abc import Callable, Collection, Iterable
from typing import Any, Final

from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as NoConnectionFree

from api.store.engine import CHANNEL
from capture.retry import Backoff

_LOOK_EVERY_S: Final = 0.25
_log = logging.getLogger(__name__)


class Watch:
    """Calls `committed` after other processes' commits, from a thread of its own, until `stop`.

    With the ids of the benches that the commits were of, or None where it does not know them.
    `committed` may be called without a new commit, but never misses one: it is also called when
    the watch starts, and when it restarts after the database could not be reached.
    """

    def __init__(self, engine: Engine, committed: Callable[[Collection[int] | None], None]) -> None:
        self._engine = engine
        self._committed = committed
        self._stopped = threading.Event()
        # Interrupts a wait on the database's socket at once, on every system.
        self._wakes, self._waker = socket.socketpair()
        self._thread = threading.Thread(target=self._run, name="watch", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the watch; does not wait for its thread."""
        self._stopped.set()
        self._waker.close()

    def _run(self) -> None:
        look = self._listen if self._engine.dialect.name == "postgresql" else self._poll
        # The last: no connection is free, for as long as the pool waits.
        away = (DBAPIError, self._engine.dialect.loaded_dbapi.Error, NoConnectionFree)
        backoff = Backoff()
        said = ""
        with self._wakes:
            while not self._stopped.is_set():
                try:
                    look(backoff.reset)
                except away as error:
                    if not self._stopped.is_set():
                        if str(error) != said:
                            said = str(error)
                            _log.warning("the store cannot be reached, trying again: %s", error)
                        self._stopped.wait(backoff.next())

    def _listen(self, found: Callable[[], None]) -> None:
        with self._engine.connect() as connection, selectors.DefaultSelector() as either:
            connection.execution_options(isolation_level="AUTOCOMMIT")
            connection.detach()  # held for as long as this listens, so not from the pool
            connection.exec_driver_sql(f"LISTEN {CHANNEL}")
            driver: Any = connection.connection.dbapi_connection
            either.register(driver, selectors.EVENT_READ)
            either.register(self._wakes, selectors.EVENT_READ)
            found()
            self._committed(None)
            while not self._stopped.is_set():
                either.select()
                if notices := list(driver.notifies(timeout=0)):  # one call for all that arrived
                    self._committed(_benches(notice.payload for notice in notices))

    def _poll(self, found: Callable[[], None]) -> None:
        with self._engine.connect() as connection:
            connection.detach()
            driver: Any = connection.connection.dbapi_connection
            seen: int | None = None
            while not self._stopped.is_set():
                # Not in a transaction, in which the version would never change.
                (version,) = driver.execute("PRAGMA data_version").fetchone()
                if version != seen:
                    found()
                    self._committed(None)
                seen = version
                self._stopped.wait(_LOOK_EVERY_S)


def _benches(payloads: Iterable[str]) -> set[int] | None:
    """The ids in the payloads of notices; None where one names none, as earlier versions do."""
    try:
        return {int(number) for payload in payloads for number in payload.split(",")}
    except ValueError:
        return None
