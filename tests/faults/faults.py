"""What a shop does to a computer: each fault begins, and is over again."""

from __future__ import annotations

import signal
import sqlite3
import time
from collections.abc import Callable
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any, Final, Protocol

from api.store.engine import file_in
from tests import open_files
from tests.disks import fill
from tests.faults.presses import Wire
from tests.faults.shop import Shop
from tests.faults.tracing import Tracing
from tests.ptys import until
from tests.whole.serving import Process

# Longer than any round: a blocked call returns when its fault is over.
_BLOCKED_S: Final = 600.0
_FILE_CALLS: Final = "fsync,fdatasync"


class Fault(Protocol):
    """Begun in the constructor."""

    def end(self) -> None: ...


class _Killed:
    """A process that ends at once, or that is told to end; started again at the end."""

    def __init__(self, shop: Shop, which: str, how: str) -> None:
        if which == "server":
            self.end: Callable[[], Any] = shop.start_server
            status = shop.kill_server() if how == "kill" else shop.terminate_server()
        else:
            self.end = shop.start_bench
            status = shop.kill_bench() if how == "kill" else shop.terminate_bench()
        # A program that has only begun to start ends as the system ends it.
        fine = (None, 0, 1, -signal.SIGTERM)
        assert status in fine, f"the {which} ended with {status} on SIGTERM"


class _Paused:
    """A process that is stopped, as a sleeping computer is."""

    def __init__(self, process: Process | None) -> None:
        self._process = process
        if process is not None:
            process.send_signal(signal.SIGSTOP)

    def end(self) -> None:
        if self._process is not None:
            with suppress(ProcessLookupError):
                self._process.send_signal(signal.SIGCONT)


class _FewFiles:
    """A process that can open no file more."""

    def __init__(self, process: Process | None) -> None:
        self._process = process
        if process is not None:
            self._before = open_files.allow_no_more(process.pid)

    def end(self) -> None:
        if self._process is not None:
            with suppress(ProcessLookupError):
                open_files.allow(self._process.pid, self._before)


class _Unplugged:
    def __init__(self, wire: Wire, again: bool = False) -> None:
        self._wire = wire
        wire.unplug()
        if again:
            wire.plug()

    def end(self) -> None:
        self._wire.plug()


class _BlockedOpen:
    """A port whose driver does not return from opening it."""

    def __init__(self, wire: Wire, process: Process | None) -> None:
        self._tracing = None
        wire.unplug()
        if process is not None:
            # The path as the program knows it; what it leads to is not there yet.
            self._tracing = Tracing([process.pid], "openat", _BLOCKED_S, wire.link)
        wire.plug()

    def end(self) -> None:
        if self._tracing is not None:
            self._tracing.end()


class _SlowFiles:
    def __init__(self, processes: list[int], seconds: float) -> None:
        self._tracing = Tracing(processes, _FILE_CALLS, seconds) if processes else None

    def end(self) -> None:
        if self._tracing is not None:
            self._tracing.end()


class _FullDisk:
    def __init__(self, folder: Path) -> None:
        self._photographs = folder / "photographs"
        fill(self._photographs)

    def end(self) -> None:
        self._photographs.unlink()


class _Held:
    """Another program that holds a lock, and lets it go after a while."""

    def __init__(self, seconds: float) -> None:
        self._until = time.monotonic() + seconds

    def end(self) -> None:
        until(lambda: time.monotonic() > self._until)
        self._let_go()

    def _let_go(self) -> None:
        raise NotImplementedError


class _LockedFile(_Held):
    def __init__(self, file: Path, seconds: float) -> None:
        super().__init__(seconds)
        self._other = sqlite3.connect(file, isolation_level=None, timeout=5.0)
        # On a full disk, or while a stopped program holds the lock, there is none to be had.
        with suppress(sqlite3.OperationalError):
            self._other.execute("BEGIN EXCLUSIVE")

    def _let_go(self) -> None:
        self._other.rollback()
        self._other.close()


class _LockedTable(_Held):
    def __init__(self, url: str, seconds: float) -> None:
        import psycopg

        super().__init__(seconds)
        self._errors = psycopg.Error
        self._other = None
        with suppress(self._errors):  # a server that is down holds no lock
            self._other = psycopg.connect(url, connect_timeout=2)
            self._other.execute("SET lock_timeout = '5s'")
            self._other.execute("LOCK TABLE benches IN ACCESS EXCLUSIVE MODE")

    def _let_go(self) -> None:
        if self._other is not None:
            with suppress(self._errors):
                self._other.rollback()
            self._other.close()


class _ClockStep:
    def __init__(self, shop: Shop) -> None:
        assert shop.clock is not None
        self._clock = shop.clock
        self._clock.step("-3h")

    def end(self) -> None:
        self._clock.step("+2d")


class _NoDatabase:
    def __init__(self, shop: Shop) -> None:
        assert shop.database is not None
        self._database = shop.database
        self._database.kill()

    def end(self) -> None:
        self._database.start()


class _PausedDatabase:
    def __init__(self, shop: Shop) -> None:
        assert shop.database is not None
        self._paused = ExitStack()
        self._paused.enter_context(shop.database.paused())

    def end(self) -> None:
        self._paused.close()


def begin(fault: str, shop: Shop) -> Fault:
    """Begin the fault that a line of the script names."""
    match fault.split():
        case ["kill" | "terminate" as how, "server" | "bench" as which]:
            return _Killed(shop, which, how)
        case ["pause", "server" | "bench" as which]:
            return _Paused(_process(shop, which))
        case ["few", "files", "for", which]:
            return _FewFiles(_process(shop, which))
        case ["slow", "fsync", "of", "postgres"]:
            assert shop.database is not None
            return _SlowFiles(shop.database.processes(), shop.slow_s)
        case ["slow", "fsync", "of", which]:
            process = _process(shop, which)
            return _SlowFiles([] if process is None else [process.pid], shop.slow_s)
        case ["unplug" | "replug" as how, port]:
            return _Unplugged(_wire(shop, port), again=how == "replug")
        case ["blocked", "open", "of", port]:
            return _BlockedOpen(
                _wire(shop, port), _process(shop, "server" if port == "near" else "bench")
            )
        case ["full", "disk", "of", "bench"]:
            return _FullDisk(shop.folder / "queue")
        case ["full", "disk", "of", "store"]:
            return _FullDisk(shop.store_disk)
        case ["locked", "queue"]:
            return _LockedFile(shop.folder / "queue" / "bench.sqlite", shop.locked_s)
        case ["locked", "store"]:
            if shop.database is None:
                return _LockedFile(file_in(shop.folder / "shop"), shop.locked_s)
            return _LockedTable(shop.store_url, shop.locked_s)
        case ["clock", "step"]:
            return _ClockStep(shop)
        case ["kill", "postgres"]:
            return _NoDatabase(shop)
        case ["pause", "postgres"]:
            return _PausedDatabase(shop)
    raise ValueError(f"no fault is called {fault}")


def _process(shop: Shop, which: str) -> Process | None:
    return shop.server if which == "server" else shop.bench


def _wire(shop: Shop, port: str) -> Wire:
    return shop.near if port == "near" else shop.far
