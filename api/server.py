"""Everything that one server holds: the store, the instruments, and the live streams' signal.

Made from settings and passed to the application; nothing is made at import, so that two servers
can run in one process.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import replace
from typing import Final, Protocol

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DBAPIError

from analysis.methods import Method
from analysis.rules import RULES
from analysis.units import Unit
from api import VERSION
from api.access.book import AccessError, Book
from api.answers.bench import BenchAnswer, bench
from api.answers.methods import all_methods
from api.answers.rules_changed import meet_rules, up_to_date
from api.instruments.calipers import CaliperRecord, calipers_on_record
from api.instruments.called import Called
from api.instruments.identify import Identifying
from api.instruments.kept_beside import Conflicting, KeptBeside
from api.instruments.listening import Listening
from api.settings import Settings
from api.store import in_use, opening
from api.store.backups import BackupState, DailyBackups, give_way
from api.store.commit_signal import CommitSignal
from api.store.condition import Condition
from api.store.corrections import Corrections
from api.store.engine import DamagedStore, StoreError, sqlite_file
from api.store.journal import Journal
from api.store.keeping import Keeping
from api.store.machine_records import MachineRecords
from api.store.people_records import PeopleRecords
from api.store.place import look
from api.store.rows.calipers import jaw_width_nm, readings_unit
from api.store.stamps import now
from capture.bench import Instruments
from capture.finding import serial_instruments
from capture.records import CaliperState, Reading, Refusal

_log = logging.getLogger(__name__)

# A remote bench reports its instruments every twenty seconds; three missed reports: it is away.
_AWAY_AFTER_S: Final = 70.0
_RULES_AFTER_S: Final = 1.0


class PretendCaliper(Protocol):
    """A caliper of the demo, whose send button the page may press."""

    bench: str

    def press(self) -> str: ...

    def close(self) -> None: ...


class Server:
    """Opens the store (and upgrades it); `start` begins to listen to calipers, and to make daily
    backups.

    A damaged store is opened for reading alone: see `condition`. Raises StoreError where the store
    cannot be opened at all; the message says what to do.
    """

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        with ExitStack() as held:
            self.engine: Engine = opening.engine_of(settings)
            path = sqlite_file(self.engine.url)
            if path is not None:
                look(path)  # beside a file that is no store, no lock is made either
                held.callback(in_use.Together(path).close)
            held.callback(self.engine.dispose)
            found = opening.bring_up_to_date(self.engine, settings, serving=True)
            self.signal = CommitSignal(self.engine)
            self.condition = Condition(self.engine, settings.data, changed=self.signal.notify)
            self.condition.found(found.damage)
            if found.check is not None:
                self.condition.watch(found.check)
            self.methods = self._methods()
            self.access = self._access()
            if self.access is not None:
                held.callback(self.access.close)
            self._held = held.pop_all()
        self._backups = None
        if path is not None and settings.backups:
            self._backups = DailyBackups(path, settings.data, settings.backups)
        self.journal = Journal(
            self.engine,
            committed=self.signal.notify,
            damaged=lambda: self.condition.damaged,
        )
        self.corrections = Corrections(self.journal.transactions)
        self.machine_records = MachineRecords(self.journal.transactions)
        self.people_records = PeopleRecords(self.journal.transactions)
        self.keeping = Keeping(self.journal.keep_each)
        self.kept_beside = KeptBeside(
            settings.data, self._store, self.journal.reached, changed=self.signal.notify
        )
        self.instruments = Instruments(
            self.kept_beside.keep, self.kept_beside.keep, self._report, noticed=self.signal.notify
        )
        self.listening = Listening(self.instruments, settings.data)
        self._over = threading.Event()
        self._rules = threading.Thread(target=self._meet_rules, name="rules", daemon=True)
        self.identifying = Identifying(serial_instruments, self.listening.listened)
        self._stopping = threading.Lock()
        self._stopped = False
        # The demo attaches its own.
        self.pretend: PretendCaliper | None = None
        # Instruments of remote benches: the last state reported, and when.
        self._elsewhere: dict[tuple[str, str], tuple[CaliperState, float]] = {}
        self.called = Called(changed=self.signal.notify)

    def _access(self) -> Book | None:
        """Who is let in; None where nobody can ask from elsewhere."""
        if not self.settings.open_to_others:
            return None
        try:
            return Book(self.settings.data)
        except AccessError as error:
            raise StoreError(str(error)) from None

    def _methods(self) -> Mapping[str, Method]:
        try:
            with self.reading() as connection:
                return all_methods(connection, self.settings.data)
        except StoreError:
            raise
        except Exception as error:
            if not self.condition.met(error):
                raise
        return all_methods(None, self.settings.data)

    def start(self) -> None:
        """Store what was kept beside the store, then listen to the calipers of the settings, and to
        those that are remembered."""
        try:
            self.kept_beside.take_in()
        except StoreError as error:
            _log.error("what was kept beside the store stays there: %s", error)
        try:
            self.machine_records.complete_merges()
        except (StoreError, DBAPIError) as error:
            _log.error("a merge of machines is not complete; the next start goes on: %s", error)
        self.listening.start(self.settings.calipers)
        if self._backups is not None:
            self._backups.start()
        self._rules.start()

    def close(self) -> None:
        """Stop listening, commit what was heard, release ports and the store."""
        self._over.set()
        if self._rules.is_alive():
            # Where the database hangs, the program ends all the same; the next start compares.
            self._rules.join(5.0)
        self.signal.close()
        self.identifying.close()
        if self.pretend is not None:
            self.pretend.close()
        self.stop_listening()
        self.keeping.close()
        self.kept_beside.close()
        if self._backups is not None:
            self._backups.close()
        self._held.close()

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

    def _meet_rules(self) -> None:
        """Where the store was last read by other rules, find once what today's change in it."""
        # So that the start itself is not slowed down.
        if self._over.wait(_RULES_AFTER_S) or self.condition.damaged:
            return
        give_way()
        try:
            with self.reading() as connection:
                if up_to_date(connection):
                    return
            changed = meet_rules(self.reading, self._over)
            if self._over.is_set() or not self.journal.say_rules(RULES, VERSION, changed):
                return
            if changed and changed["series"]:
                _log.warning(
                    "%s of %s series read otherwise than before, by rules %s; the Machines page"
                    " lists them",
                    changed["series"],
                    changed["compared"],
                    RULES,
                )
        except (StoreError, DBAPIError) as error:
            # The next start does it.
            _log.warning(
                "what the rules change was not found: %s", self.condition.met(error) or error
            )

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees one snapshot of the store."""
        with self.engine.connect() as connection:
            yield connection

    def check(self) -> None:
        """Raise StoreError or DBAPIError where the store can't be written or read now."""
        self.journal.check()
        with self.reading() as connection:
            self.called.read(connection)

    def backup(self) -> BackupState | None:
        """How the daily backups stand; None where none are made."""
        return None if self._backups is None else self._backups.state()

    def calipers(self, bench: str | None = None) -> list[CaliperState]:
        """The states of instruments, here and at remote benches, of one bench or of all."""
        return [
            s if (called := self.called.name(s.caliper)) == s.caliper else replace(s, shown=called)
            for s in (*self._states_here(), *self._states_elsewhere())
            if bench in (None, s.bench)
        ]

    def calipers_on_record(self, connection: Connection) -> list[CaliperRecord]:
        """Every caliper that is listened to or was ever heard."""
        here, elsewhere = tuple(self._states_here()), tuple(self._states_elsewhere())
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
                # Other servers' pages learn of it at the next change.
                with suppress(DBAPIError, StoreError):
                    self.journal.report(state)

    def trouble(self) -> str:
        """What is wrong with the store now, and what to do; empty where all is well."""
        try:
            self.check()
        except (StoreError, DBAPIError) as error:
            return self.condition.met(error)
        return ""

    def damage(self) -> str:
        """The same of a store that is damaged or gone, found without asking the database."""
        try:
            self.journal.check()
        except StoreError as error:
            return self.condition.met(error)
        return ""

    def kept(self, bench: str) -> tuple[int, Reading | None]:
        """How many presses are kept beside the store, and the last one of the bench."""
        last = self.kept_beside.last
        return self.kept_beside.waiting, last if last and last.bench == bench else None

    def _states_here(self) -> Iterator[CaliperState]:
        why = self.damage()
        waiting = self.kept_beside.waiting
        for state in self.instruments.states():
            # Whether it is plugged in matters more.
            if why and state.state in ("listening", "quiet"):
                yield replace(
                    state,
                    state="trouble",
                    message=f"its presses are kept beside the store, {waiting} so far: {why}",
                )
            else:
                yield state

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
            self.called.read(connection)
            return bench(connection, name)

    def jaw_width_nm(self, bench: str) -> int | None:
        """Of the caliper at a bench: the one heard there last, where it is listened to or none is,
        else the only one that is listened to there. None where it is not said."""
        last = self.bench(bench).last_reading
        here = {state.name for state in self.calipers(bench)}
        if last is not None and (last.row.caliper in here or len(here) != 1):
            name = last.row.caliper
        elif len(here) == 1:
            (name,) = here
        else:
            return None
        with self.reading() as connection:
            return jaw_width_nm(connection, name)

    def readings_unit(self, bench: str) -> Unit | None:
        """What a number without a unit counts by all calipers that are listened to at a bench, or
        by the one heard there last where none is; None where they do not say the same."""
        last = self.bench(bench).last_reading
        names = {state.name for state in self.calipers(bench)}
        if not names and last is not None:
            names = {last.row.caliper}
        with self.reading() as connection:
            units = {readings_unit(connection, name) for name in names}
        return units.pop() if len(units) == 1 else None

    def pretends(self, bench: str) -> bool:
        """Whether the bench's caliper is a pretend one."""
        return self.pretend is not None and self.pretend.bench == bench

    def _store(self, item: Reading | Refusal, reached: int | None) -> None:
        """Put one thing into the store, whose bench had `reached` that number before it.

        Raises StoreError, in words for a person, where it can't be; Conflicting where the store has
        another value under its id.
        """
        try:
            if isinstance(item, Refusal):
                self.journal.refuse(item)
                return
            if reached != 0 and self.journal.end_where_behind(item.bench, reached):
                _log.error(
                    "bench %s: the store lacks what was measured or done before %s; the series that"
                    " ran in it was ended, since a lost reading would move every later one to"
                    " another place of its trial; what was kept beside the store is in no series",
                    item.bench,
                    item.taken_at.astimezone().strftime("%Y-%m-%d %H:%M:%S"),
                )
            # What waited was told to be kept beside: nobody would hear that it is asked about.
            if self.journal.keep([item], ask=not self.kept_beside.waiting).conflicting:
                raise Conflicting("the store has another value under its id")
        except (StoreError, Conflicting):
            raise
        except Exception as error:
            _log.warning("the store: %s", getattr(error, "orig", error))
            said = self.condition.met(error)
            if not said:
                raise
            raise (DamagedStore if self.condition.damaged else StoreError)(said) from error

    def _report(self, state: CaliperState) -> None:
        # Nothing can be written to a damaged store; its own pages get the state without it.
        if not self.condition.damaged:
            self.journal.report(state)
