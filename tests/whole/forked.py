"""`bothends serve` in a process of its own that need not import everything again.

Nine tenths of a start are imports. Here they are done once: each server is forked from a
process that has done them, and from there on is the program: its own process, port, folder
and end. `serving` runs the very command, for what looks at the start itself. On two busy cores a
start took 1.7 to 2.1 s so, and 12.7 to 16.3 s by the command.
"""

from __future__ import annotations

import os
import subprocess
import tempfile
from functools import cache, partial
from multiprocessing.context import ForkServerProcess
from pathlib import Path
from typing import IO, TextIO

from api.store import migrations
from api.store.engine import open_engine, sqlite_url
from tests.forks import forks
from tests.whole.commands import as_program
from tests.whole.serving import Process, Serving
from tests.whole.serving import serving as program

_FORKS = forks("tests.whole.commands", "tests.whole.warmed")


class Forked:
    """A forked process, with what `subprocess.Popen` would answer."""

    def __init__(self, words: list[str], log: TextIO) -> None:
        hears, says = _FORKS.Pipe(duplex=False)
        self._process: ForkServerProcess = _FORKS.Process(
            target=as_program, args=(words, says, str(log.name))
        )
        self._process.start()
        says.close()
        self.stdout: IO[str] | None = os.fdopen(os.dup(hears.fileno()))
        hears.close()

    @property
    def pid(self) -> int:
        assert self._process.pid is not None
        return self._process.pid

    def kill(self) -> None:
        self._process.kill()

    def terminate(self) -> None:
        self._process.terminate()

    def send_signal(self, sig: int) -> None:
        os.kill(self.pid, sig)

    def wait(self, timeout: float | None = None) -> int:
        self._process.join(timeout)
        status = self._process.exitcode
        if status is None:
            raise subprocess.TimeoutExpired("serve", timeout or 0)
        return status


class ForkedServing(Serving):
    def try_start(self, port: int = 0, patience: float | None = None) -> bool:
        if not (self.data.exists() or {"--db", "--pretend"} & set(self._options)):
            self.data.mkdir()
            name, store = empty_store()
            (self.data / name).write_bytes(store)
        return super().try_start(port, patience)

    def _program(self, words: list[str], log: TextIO) -> Process:
        return Forked(words, log)


@cache
def empty_store() -> tuple[str, bytes]:
    """A store at the newest step, as a first start leaves it: the file's name and content."""
    with tempfile.TemporaryDirectory() as folder:
        engine = open_engine(sqlite_url(Path(folder)))
        migrations.upgrade(engine)
        engine.dispose()
        (file,) = Path(folder).iterdir()
        return file.name, file.read_bytes()


serving = partial(program, kind=ForkedServing)
