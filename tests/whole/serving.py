"""`bothends serve` as its user starts it: a process, a port, a folder."""

from __future__ import annotations

import select
import signal
import socket
import ssl
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any, Protocol, TextIO

import httpx2

from tests.ptys import PATIENCE_S, until

COMMAND = [str(Path(sys.executable).with_name("bothends"))]


class Process(Protocol):
    """What is asked of a process here."""

    @property
    def pid(self) -> int: ...
    @property
    def stdout(self) -> IO[str] | None: ...
    def kill(self) -> None: ...
    def terminate(self) -> None: ...
    def send_signal(self, sig: int) -> None: ...
    def wait(self, timeout: float | None = None) -> int: ...


class Serving:
    """A running server. Its standard error goes to a file in its folder."""

    verify: ssl.SSLContext | bool = True

    def __init__(self, data: Path, *options: str) -> None:
        self.data = data
        self._options = options
        self._held: socket.socket | None = None
        self.process: Process
        self.url = ""
        self.client: httpx2.Client
        self.start()

    @property
    def log(self) -> Path:
        return self.data.parent / f"{self.data.name}.log"

    def start(self, port: int = 0) -> None:
        """Start, and wait for the line that says where."""
        assert self.try_start(port), self.log.read_text()

    def try_start(self, port: int = 0, patience: float | None = None) -> bool:
        """Whether it came up; where it did not, it has ended, and its log says why.

        It is killed where it does neither within `patience` seconds.
        """
        words = ["serve", "--data", str(self.data), "--port", str(port), *self._options]
        with self.log.open("a") as log:
            self.process = self._program(words, log)
        assert self.process.stdout is not None
        if patience is not None and not select.select([self.process.stdout], [], [], patience)[0]:
            self.process.kill()
        line = self.process.stdout.readline()
        if not line.startswith(("ready http://", "ready https://")):
            self.process.wait(PATIENCE_S)
            self.process.stdout.close()
            return False
        self.url = line.split()[1]
        self.let_go()
        self.client = httpx2.Client(base_url=self.url, timeout=PATIENCE_S, verify=self.verify)
        return True

    def _program(self, words: list[str], log: TextIO) -> Process:
        return subprocess.Popen([*COMMAND, *words], stdout=subprocess.PIPE, stderr=log, text=True)

    @property
    def port(self) -> int:
        return int(self.url.rsplit(":", 1)[1])

    def kill(self) -> None:
        """As a power cut would: no handler runs."""
        self.process.kill()
        self._gone()

    def stop(self, sig: signal.Signals = signal.SIGTERM) -> int:
        """As a service manager would; the exit status."""
        self.process.send_signal(sig)
        return self._gone()

    def _gone(self) -> int:
        status = self.process.wait(PATIENCE_S)
        if self.process.stdout is not None:
            self.process.stdout.close()
        self.client.close()
        self._hold()
        return status

    def _hold(self) -> None:
        """Keep the port from everybody else until the next start.

        Bound and not listened at, it answers nobody, and the server may bind it as well.
        """
        if self._held is None and sys.platform == "linux":
            self._held = socket.socket()
            self._held.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            with suppress(OSError):
                self._held.bind(("127.0.0.1", self.port))

    def let_go(self) -> None:
        if self._held is not None:
            self._held.close()
            self._held = None

    def get(self, path: str) -> Any:
        answer = self.client.get(path)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def post(self, path: str, body: Any = None) -> Any:
        answer = self.client.post(path, json={} if body is None else body)
        assert answer.is_success, answer.text
        return answer.json()

    def start_series(self, machine: str = "Window saw", **settings: Any) -> str:
        """A series on bench main, once the bench's calipers listen."""
        made = self.post("/api/machines", {"name": machine, "kind": "other"})
        usual = {"method": "reversal", "baseline": "200", "unit": "mm", "strip_side": "left"}
        body = {"machine": made["id"]} | usual | settings
        series: str = self.post("/api/series", body)["id"]
        return series

    def calipers_listen(self) -> bool:
        return until(
            lambda: all(c["state"] == "listening" for c in self.get("/api/health")["calipers"])
        )

    def trials(self, series: str) -> list[list[str]]:
        found = self.get(f"/api/series/{series}")["trials"]
        return [[r["sent"] for r in t["readings"]] for t in found]


@contextmanager
def serving(data: Path, *options: str, kind: type[Serving] = Serving) -> Iterator[Serving]:
    """A server that is gone afterwards, however the test ends."""
    server = kind(data, *options)
    try:
        yield server
    finally:
        server.kill()
        server.let_go()
