"""More calipers than the usual limit on open files admits."""

from __future__ import annotations

import resource
import socket
import subprocess
import sys
from contextlib import ExitStack
from pathlib import Path

import httpx2
import pytest

from tests import open_files
from tests.ptys import plugged, until
from tests.whole.forked import serving as forked
from tests.whole.serving import Serving, serving

_LIMITED = """
import resource, sys
soft, hard = int(sys.argv[1]), int(sys.argv[2])
resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
from api.cli import main
raise SystemExit(main(sys.argv[3:]))
"""
PORTS = 40


class _Limited(Serving):
    """A server whose limits are `soft` and `hard`."""

    def _program(self, words, log):  # type: ignore[no-untyped-def]
        return subprocess.Popen(
            [sys.executable, "-c", _LIMITED, "128", "4096", *words],
            stdout=subprocess.PIPE,
            stderr=log,
            text=True,
        )


def test_a_low_limit_is_raised_as_far_as_the_system_lets(tmp_path: Path) -> None:
    if resource.getrlimit(resource.RLIMIT_NOFILE)[1] < 4096:
        pytest.skip("this system allows fewer files")
    with ExitStack() as plugs:
        ports = [plugs.enter_context(plugged()) for _ in range(PORTS)]
        words = []
        for number, port in enumerate(ports):
            words += ["--caliper", f"serial:{port.target},unit=mm,name=c{number}"]
        with serving(tmp_path / "data", *words, kind=_Limited) as server:
            assert server.calipers_listen()
            series = server.start_series()
            for port in (ports[0], ports[-1]):
                port.send(b"12.30\r\n" if port is ports[0] else b"12.40\r\n")
                assert until(lambda: server.trials(series))
            assert until(lambda: server.trials(series) == [["12.30", "12.40"]])


def test_too_few_files_are_said_in_a_sentence(tmp_path: Path) -> None:
    words = [w for n in range(60) for w in ("--caliper", f"serial:/dev/none{n},unit=mm")]
    for command in (
        ["serve", "--port", "0", "--data", str(tmp_path / "data")],
        ["bench", "--to", "http://127.0.0.1:9", "--data", str(tmp_path / "queue")],
    ):
        tried = subprocess.run(
            [sys.executable, "-c", _LIMITED, "128", "256", *command, *words],
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert tried.returncode == 2, tried.stderr
        assert "60 calipers need about 620 open files" in tried.stderr
        assert "Traceback" not in tried.stderr


@pytest.mark.skipif(sys.platform != "linux", reason="Linux alone limits a running process")
def test_connections_that_find_no_file_left_wait_and_fill_no_log(tmp_path: Path) -> None:
    with forked(tmp_path / "data") as server, ExitStack() as waiting:
        pid = server.process.pid
        # A score first: what the program imports for one needs files too.
        series = server.start_series()
        for number in (1, 2):
            body = {"id": f"00000000-0000-7000-8000-{number:012d}", "bench": "main"}
            body |= {"caliper": "g", "sent": f"12.0{number}", "unit": "mm"}
            server.post("/api/readings", [body | {"taken_at": f"2026-03-02T09:00:0{number}Z"}])
        scored = server.get(f"/api/series/{series}")["score"]
        assert scored["quantities"]["angle"]["expanded_uncertainty"] > 0
        before = open_files.allow_no_more(pid)

        def said_to_one_more() -> (
            bool
        ):  # a file that the server closes meanwhile makes room for one
            waiting.enter_context(socket.create_connection(("127.0.0.1", server.port)))
            return "raise the limit on open files" in server.log.read_text()

        assert until(said_to_one_more)
        open_files.allow(pid, before)
        assert httpx2.get(f"{server.url}/api/health", timeout=30).status_code == 200
        assert server.stop() == 0
        # The daily backup may have been due just then; it says so once itself.
        said = [line for line in server.log.read_text().splitlines() if "backups:" not in line]
        assert len(said) == 1
