"""`bothends serve` as its user starts it: a process, a port, a folder."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx2

from tests.ptys import until

COMMAND = [str(Path(sys.executable).with_name("bothends"))]


class Serving:
    """A running server. Its standard error goes to a file in its folder."""

    def __init__(self, data: Path, *options: str) -> None:
        self.data = data
        self._options = options
        self.process: subprocess.Popen[str]
        self.url = ""
        self.client: httpx2.Client
        self.start()

    @property
    def log(self) -> Path:
        return self.data.parent / f"{self.data.name}.log"

    def start(self, port: int = 0) -> None:
        """Start, and wait for the line that says where."""
        with self.log.open("a") as log:
            self.process = subprocess.Popen(
                [*COMMAND, "serve", "--data", str(self.data), "--port", str(port), *self._options],
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
            )
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line.startswith("ready http://"), (line, self.log.read_text())
        self.url = line.split()[1]
        self.client = httpx2.Client(base_url=self.url, timeout=10)

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
        status = self.process.wait(15)
        if self.process.stdout is not None:
            self.process.stdout.close()
        self.client.close()
        return status

    def get(self, path: str) -> Any:
        answer = self.client.get(path)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def post(self, path: str, body: Any = None) -> Any:
        answer = self.client.post(path, json=body)
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
def serving(data: Path, *options: str) -> Iterator[Serving]:
    """A server that is gone afterwards, however the test ends."""
    server = Serving(data, *options)
    try:
        yield server
    finally:
        server.kill()
