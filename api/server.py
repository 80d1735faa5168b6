"""Everything that one server holds: the store, the instruments, and the live streams' signal.

Made from settings and passed to the application; nothing is made at import, so that two servers
can run in one process.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import replace
from typing import Final, Protocol

from sqlalchemy import Connection, Engine, text
from sqlalchemy.exc import DBAPIError

from api.answers.bench import BenchAnswer, bench
from api.answers.methods import all_methods
from api.instruments.calipers import CaliperRecord, calipers_on_record
from api.instruments.identify import Identifying
from api.instruments.listening import Listening
from api.settings import Settings
from api.store import in_use, migrations, restoring
from api.store.backups import BackupState, DailyBackups
from api.store.commit_signal import CommitSignal
from api.store.engine import StoreError, open_engine, sqlite_file, sqlite_url
from api.store.journal import Journal, now
from api.store.private import make_private
from api.store.trouble import sentence
from capture.bench import Instruments
from capture.finding import serial_instruments
from capture.records import CaliperState, Reading, Refusal

_log = logging.getLogger(__name__)

# A remote bench reports its instruments every twenty seconds; three missed reports: it is away.
_AWAY_AFTER_S: Final = 70.0


class PretendCaliper(Protocol):
    """A caliper of the demo, whose send button the page may press."""

    bench: str

    def press(self) -> str: ...

    def close(self) -> None: ...


class Server:
    """Opens the store (and upgrades it); `start` begins to listen to calipers, and to make daily
    backups.

    Raises StoreError where the store cannot be opened; the message says what to do.
    """

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        with ExitStack() as opened:
            self.engine: Engine = _engine(settings)
            path = sqlite_file(self.engine.url)
            if path is not None:
                opened.callback(in_use.Together(path).close)
            opened.callback(self.engine.dispose)
            _bring_up_to_date(self.engine, settings)
            with self.reading() as connection:
                self.methods = all_methods(connection, settings.data)
            self._opened = opened.pop_all()
        self._backups = None
        if path is not None and settings.backups:
            self._backups = DailyBackups(path, settings.data, settings.backups)
        self.signal = CommitSignal(self.engine)
        self.journal = Journal(self.engine, committed=self.signal.notify)
        self.instruments = Instruments(
            self._keep, self._refuse, self.journal.report, noticed=self.signal.notify
        )
        self.listening = Listening(self.instruments, settings.data)
        self.identifying = Identifying(serial_instruments, self.listening.listened)
        self._stopping = threading.Lock()
        self._stopped = False
        # The demo attaches its own.
        self.pretend: PretendCaliper | None = None
        # Instruments of remote benches: the last state reported, and when.
        self._elsewhere: dict[tuple[str, str], tuple[CaliperState, float]] = {}

    def start(self) -> None:
        """Listen to the calipers of the settings, and to those that are remembered."""
        self.listening.start(self.settings.calipers)
        if self._backups is not None:
            self._backups.start()

    def close(self) -> None:
        """Stop listening, commit what was heard, release ports and the store."""
        self.signal.close()
        self.identifying.close()
        if self.pretend is not None:
            self.pretend.close()
        self.stop_listening()
        if self._backups is not None:
            self._backups.close()
        self._opened.close()

    def stop_listening(self) -> None:
        """Release the ports, commit what was heard, and log what the store did not take.

        May be called from several threads, even while the store does not answer.
        """
        with self._stopping:
            if self._stopped:
                return
            self._stopped = True
            for reading in self.instruments.stop():
                # Nothing else reports it after this.
                _log.error("could not be stored: %s %s", reading.sent.strip(), reading.unit)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees one snapshot of the store."""
        with self.engine.connect() as connection:
            yield connection

    def check(self) -> None:
        """Raise StoreError or DBAPIError where the store can't be written or read now."""
        self.journal.check()
        with self.reading() as connection:
            connection.execute(text("SELECT 1"))

    def backup(self) -> BackupState | None:
        """How the daily backups stand; None where none are made."""
        return None if self._backups is None else self._backups.state()

    def calipers(self, bench: str | None = None) -> list[CaliperState]:
        """The states of instruments, here and at remote benches, of one bench or of all."""
        return [
            s
            for s in (*self.instruments.states(), *self._states_elsewhere())
            if bench in (None, s.bench)
        ]

    def calipers_on_record(self, connection: Connection) -> list[CaliperRecord]:
        """Every caliper that is listened to or was ever heard."""
        here, elsewhere = self.instruments.states(), tuple(self._states_elsewhere())
        return calipers_on_record(connection, self.listening.listened(), here, elsewhere, now())

    def heard_of(self, states: Sequence[CaliperState]) -> None:
        """Remember the states of a remote bench's instruments, and publish those that changed."""
        moment = time.monotonic()
        for state in states:
            key = (state.bench, state.caliper)
            before = self._elsewhere.get(key)
            self._elsewhere[key] = (state, moment)
            # Only a change of state is published; `last_heard` changes all the time.
            if before is None or before[0] != replace(state, last_heard=before[0].last_heard):
                self.signal.notify()
                with suppress(DBAPIError):  # other servers' pages learn of it at the next change
                    self.journal.report(state)

    def _states_elsewhere(self) -> Iterator[CaliperState]:
        moment = time.monotonic()
        for state, heard in list(self._elsewhere.values()):
            if moment - heard <= _AWAY_AFTER_S:
                yield state
            else:
                message = "its bench program is not heard from; what it keeps comes when it is"
                yield replace(state, state="waiting", message=message)

    def bench(self, name: str) -> BenchAnswer:
        """A bench as it is now."""
        with self.reading() as connection:
            return bench(connection, name)

    def pretends(self, bench: str) -> bool:
        """Whether the bench's caliper is a pretend one."""
        return self.pretend is not None and self.pretend.bench == bench

    def _keep(self, reading: Reading) -> None:
        with _in_words():
            self.journal.keep([reading])

    def _refuse(self, refusal: Refusal) -> None:
        with _in_words():
            self.journal.refuse(refusal)


@contextmanager
def _in_words() -> Iterator[None]:
    """Raise the errors of the store's driver as a sentence for a person."""
    try:
        yield
    except DBAPIError as error:
        _log.warning("the store: %s", error.orig)
        raise StoreError(sentence(error)) from error


def open_store(settings: Settings) -> Engine:
    """The engine of the store, upgraded to the present schema.

    Raises StoreError where it cannot be opened; the message says what to do.
    """
    engine = _engine(settings)
    _bring_up_to_date(engine, settings)
    return engine


def _engine(settings: Settings) -> Engine:
    """The engine of the store, which is not looked at yet; its folder is made."""
    try:
        make_private(settings.data)
    except OSError as error:
        raise StoreError(
            f"the data folder {settings.data} cannot be made ({error.strerror});"
            " give another with --data"
        ) from None
    return open_engine(settings.db or sqlite_url(settings.data))


def _bring_up_to_date(engine: Engine, settings: Settings) -> None:
    path = sqlite_file(engine.url)
    if path is not None:
        restoring.refuse_unfinished(path)
    migrations.upgrade(engine)
    make_private(settings.data)  # what was made now
