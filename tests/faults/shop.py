"""All that is under test: a server, a bench elsewhere, their calipers and their files."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final, TextIO

from api.store import doctor
from api.store.engine import file_in, open_engine, sqlite_url
from tests.api.postgres import PostgresServer, postgres
from tests.clocks import other_time
from tests.disks import small_disk
from tests.faults.posting import Outbox
from tests.faults.presses import Press, Wire
from tests.faults.witness import Lines, Live
from tests.ptys import PATIENCE_S, until
from tests.whole.forked import Forked, ForkedServing, empty_store
from tests.whole.serving import Process

# Under libfaketime every time.sleep fails (EINVAL), which is no fault of the program.
_PROGRAM: Final = (
    "import threading, time; time.sleep = threading.Event().wait;"
    " from api.cli import main; raise SystemExit(main())"
)
_DISK_MB: Final = 6
_BACKUP_DISK_MB: Final = 40
_CLOCK: Final = "the clock of bench"
_DATABASE_DISK_MB: Final = 160
# A round presses a few dozen times; all of it is handed over in seconds.
_SETTLED_S: Final = 120.0
# A database that is stopped would keep a starting server waiting without end.
_START_S: Final = 40.0


@dataclass(frozen=True)
class Row:
    """A reading in the store, in the order of its bench."""

    bench: str
    caliper: str
    sent: str


class Clock:
    """The time of day that the program sees, where it can be stepped."""

    def __init__(self, file: Path) -> None:
        self._file = file
        self.step("+0")

    def step(self, by: str) -> None:
        self._file.write_text(f"{by}\n")

    @property
    def environment(self) -> dict[str, str]:
        return other_time(FAKETIME_TIMESTAMP_FILE=str(self._file), FAKETIME_CACHE_DURATION="1")


def _started(clock: Clock | None, words: list[str], log: TextIO) -> Process:
    """The program: forked, or by its very command where its clock will be stepped."""
    if clock is None:
        return Forked(words, log)
    return subprocess.Popen(
        [sys.executable, "-c", _PROGRAM, *words],
        stdout=subprocess.PIPE,
        stderr=log,
        text=True,
        env=os.environ | clock.environment,
    )


class _Server(ForkedServing):
    def __init__(self, clock: Clock | None, data: Path, *options: str) -> None:
        self._clock = clock
        super().__init__(data, *options)

    def _program(self, words: list[str], log: TextIO) -> Process:
        return _started(self._clock, words, log)


class Shop:
    """One round's world. `near` is a caliper of the server, `far` one of the bench elsewhere.

    Whatever a fault does is undone by `heal` and at the end of `shop`.
    """

    def __init__(
        self, folder: Path, database: PostgresServer | None, clock: Clock | None, long: bool
    ) -> None:
        self.folder = folder
        self.database = database
        self.clock = clock
        # How long a lock is held and a file call takes.
        self.locked_s, self.slow_s = (10.0, 0.5) if long else (2.5, 0.2)
        self.near = Wire("near", folder / "near")
        self.far = Wire("far", folder / "far")
        self.store_url = sqlite_url(folder / "shop")
        if database is not None:
            self.database_name = database.new_database()
            self.store_url = database.url(self.database_name)
        else:
            name, content = empty_store()
            (folder / "shop" / name).write_bytes(content)
        spec = f"serial:{self.near.link},unit=mm,name=near"
        self._server = _Server(clock, folder / "shop", "--db", self.store_url, "--caliper", spec)
        self._server_started = True
        # Programs that ended though nobody ended them.
        self.died: list[str] = []
        self.port = self._server.port
        url = self._server.url
        self._server.start_series()
        self.live = {bench: Live(url, bench) for bench in ("main", "back")}
        self.outbox = Outbox(url)
        self.lines = Lines()
        self.bench_log = folder / "bench.log"
        self.command_log = folder / "commands.log"
        self._bench: Process | None = None

    def start(self) -> None:
        """Start the bench elsewhere, and wait until both calipers are listened to."""
        self.start_bench()
        self.near.listen(self._server.process.pid)
        assert until(self.all_listen), "the calipers do not listen before any fault"

    # ------------------------------------------------------------ processes

    @property
    def store_disk(self) -> Path:
        return self.folder / "shop" if self.database is None else self.database.folder.parent

    @property
    def server(self) -> Process | None:
        """The server's process, None where it does not run."""
        if self._server_started and not _runs(self._server.process):
            self.died.append("the server")
            self._server.kill()
            self.near.killed()
            self._server_ended()
        return self._server.process if self._server_started else None

    @property
    def bench(self) -> Process | None:
        """The bench program's process, None where it does not run."""
        if self._bench is not None and not _runs(self._bench):
            # At its start it may say that it cannot go on.
            if self.lines.told.states:
                self.died.append("the bench program")
            self.far.killed()
            self._bench_ended(self._bench)
        return self._bench

    def start_server(self) -> bool:
        if self.server is None and self._server.try_start(self.port, _START_S):
            self._server_started = True
            self.near.listen(self._server.process.pid)
        return self._server_started

    def kill_server(self) -> None:
        if self.server is not None:
            self._server.kill()
            self.near.killed()
            self._server_ended()

    def terminate_server(self) -> int:
        """The exit status; 0 where it did not run."""
        if self.server is None:
            return 0
        self.near.told_to_end()
        status = self._server.stop()
        self._server_ended()
        return status

    def _server_ended(self) -> None:
        self._server_started = False
        self.live["main"].forget_states()

    def start_bench(self) -> bool:
        if self.bench is None:
            spec = f"serial:{self.far.link},unit=mm,name=far,bench=back"
            words = ["bench", "--to", f"http://127.0.0.1:{self.port}", "--caliper", spec]
            words += ["--data", str(self.folder / "queue")]
            with self.bench_log.open("a") as log:
                self._bench = _started(self.clock, words, log)
            assert self._bench.stdout is not None
            self.lines.follow(self._bench.stdout)
            self.far.listen(self._bench.pid)
        return True

    def kill_bench(self) -> None:
        process = self.bench
        if process is not None:
            process.kill()
            self.far.killed()
            self._bench_ended(process)

    def terminate_bench(self) -> int:
        """The exit status; 0 where it did not run."""
        process = self.bench
        if process is None:
            return 0
        self.far.told_to_end()
        process.send_signal(signal.SIGTERM)
        return self._bench_ended(process)

    def _bench_ended(self, process: Process) -> int:
        status = process.wait(PATIENCE_S)
        self._bench = None
        self.lines.ended()
        return status

    # ------------------------------------------------------------ what is told

    def all_listen(self) -> bool:
        """Whether both calipers are listened to; from then on their presses are heard."""
        return self.notice_listening(self.near) & self.notice_listening(self.far)

    def notice_listening(self, wire: Wire) -> bool:
        session = wire.session
        if session is None:
            return False
        # The state is asked after the device was seen open: it is not from before.
        if not session.listening and wire.is_open() and self._says_listening(wire):
            session.listening = True
        return session.listening

    def _says_listening(self, wire: Wire) -> bool:
        if wire is self.far:
            return self.lines.told.listening("far")
        return any(
            c["name"] == "near"
            and (c["state"] in ("listening", "quiet") or "kept beside the store" in c["message"])
            for c in self.health().get("calipers", ())
        )

    def answered(self, press: Press) -> bool:
        """Whether the person who pressed was told that it is kept, or that it is no reading."""
        told = self.lines.told if press.source == "far" else self.live["main"].told
        if press.source == "posted":
            return press.acknowledged
        among = told.not_understood if press.nonsense else told.acknowledged
        if press.text in among:
            press.acknowledged = True
        if press.text in told.kept_beside:
            press.beside = True
        return press.acknowledged or press.beside

    def in_trouble(self, wire: Wire) -> bool:
        """Whether the person at this port is told now that something is wrong."""
        told = self.lines.told if wire is self.far else self.live["main"].told
        return not told.listening(wire.source)

    def states(self) -> str:
        """What is told of the calipers now."""
        told = {**self.live["main"].told.states, **self.lines.told.states}
        return "; ".join(f"{name} {state} {words}" for name, (state, words) in told.items())

    # ------------------------------------------------------------ what is kept

    def rows(self) -> list[Row]:
        """The readings in the store, by another program."""
        return [Row(*row) for row in self.ask(READINGS)]

    def refused(self) -> list[str]:
        """What the store has of lines that are no readings."""
        return [raw for (raw,) in self.ask("SELECT raw FROM refusals")]

    def ask(self, question: str) -> list[tuple[Any, ...]]:
        if self.database is None:
            return asked(file_in(self.folder / "shop"), question)
        import psycopg

        with psycopg.connect(self.store_url) as connection:
            return connection.execute(question).fetchall()

    def doctor(self) -> list[str]:
        """What `bothends doctor` finds in the store."""
        engine = open_engine(self.store_url)
        try:
            with engine.connect() as connection:
                found = [f.sentence for f in doctor.findings(connection)]
        finally:
            engine.dispose()
        # A clock that was stepped is found out, and rightly so.
        stepped = self.clock is not None
        return [f"doctor: {said}" for said in found if not (stepped and said.startswith(_CLOCK))]

    def run(self, *words: str) -> int:
        """The exit status of another command of the program; what it complains of is in the
        logs."""
        with self.command_log.open("a") as log:
            process = Forked([*words], log)
        assert process.stdout is not None
        with process.stdout as said:
            said.read()
        return process.wait(PATIENCE_S)

    def health(self) -> dict[str, Any]:
        """What the server says of itself; nothing where it does not answer."""
        with suppress(Exception):
            found: dict[str, Any] = self._server.client.get("/api/health", timeout=1.0).json()
            return found
        return {}

    def backed_up(self) -> bool:
        """Whether there is a daily backup of the store."""
        return bool(self.health().get("backup", {}).get("made_at"))

    def logs(self) -> str:
        """What the programs complained of."""
        files = (self._server.log, self.bench_log, self.command_log)
        return "".join(file.read_text() for file in files if file.exists())

    # ------------------------------------------------------------ ends

    def close(self) -> None:
        self.kill_server()
        self._server.let_go()
        self.kill_bench()
        for live in self.live.values():
            live.close()
        self.outbox.close()
        for wire in (self.near, self.far):
            wire.port.close()
        if self.database is not None:
            self.database.drop_database(self.database_name)


READINGS: Final = (
    "SELECT b.name, c.name, r.sent FROM readings r JOIN benches b ON b.id = r.bench_id"
    " JOIN calipers c ON c.id = r.caliper_id ORDER BY r.bench_id, r.seq"
)


def asked(file: Path, question: str) -> list[tuple[Any, ...]]:
    """The rows that an SQLite file answers with."""
    store = sqlite3.connect(file)
    try:
        return store.execute(question).fetchall()
    finally:
        store.close()


def _runs(process: Process) -> bool:
    try:
        process.wait(0)
    except subprocess.TimeoutExpired:
        return True
    return False


def settled(condition: Callable[[], object]) -> bool:
    return until(condition, _SETTLED_S)


@contextmanager
def shop(
    folder: Path,
    database: PostgresServer | None,
    *,
    steps_clock: bool = False,
    backs_up: bool = False,
    long: bool = False,
) -> Iterator[Shop]:
    """A shop at work; nothing of it is left afterwards.

    backs_up: there is room for daily backups; otherwise none is ever made.
    """
    with ExitStack() as disks:
        for name in ("shop", "queue"):
            megabytes = _BACKUP_DISK_MB if backs_up else _DISK_MB
            disks.enter_context(small_disk(folder / name, megabytes))
        clock = Clock(folder / "clock") if steps_clock else None
        made = Shop(folder, database, clock, long)
        try:
            # Programs that a failed start left would seek their calipers for ever, and take the
            # ports of later tests.
            made.start()
            yield made
        finally:
            made.close()


@contextmanager
def database_server() -> Iterator[PostgresServer]:
    """A PostgreSQL on a disk of its own that can be filled."""
    with TemporaryDirectory(prefix="disk-", dir="/tmp") as parent:
        Path(parent).chmod(0o755)  # the server runs as another user
        with (
            small_disk(Path(parent) / "disk", _DATABASE_DISK_MB) as disk,
            postgres(disk=disk) as server,
        ):
            yield server
