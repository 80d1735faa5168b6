"""Each line of the page for integrators does what it says, with the clients that it names.

The lines are taken out of the page; only addresses are the test's own.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Final

import httpx2
import pytest

from tests.manual import ROOT, examples
from tests.ptys import PATIENCE_S, until
from tests.whole.forked import serving
from tests.whole.serving import Serving
from tests.whole.shops import press

PAGE: Final = "integrators"
TRIED: Final = (
    *("the-openapi-document", "post-readings", "the-live-stream", "into-a-pipe", "mqtt"),
    *("a-time-series-database", "a-webhook", "on-a-schedule"),
)
PATH: Final = f"{Path(sys.executable).parent}:{os.environ['PATH']}:/usr/sbin"
INFLUXD: Final = shutil.which("influxd") or ROOT / ".venv" / "influxdb" / "usr" / "bin" / "influxd"

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="its lines are a shell's")


def needs(*names: str) -> pytest.MarkDecorator:
    missing = [name for name in names if shutil.which(name, path=PATH) is None]
    reason = f"{', '.join(missing)} not installed: tests/run installs what is in Debian"
    return pytest.mark.skipif(bool(missing), reason=reason)


def said(section: str) -> list[str]:
    """The examples of a section of the page."""
    return [each.text for each in examples(PAGE) if each.place == f"{PAGE}#{section}"]


class Shell:
    """Somebody who pastes lines into a shell, in a folder of their own."""

    def __init__(self, folder: Path, url: str) -> None:
        self.folder = folder
        self.env = {"PATH": PATH, "HOME": str(folder), "URL": url}

    def types(self, text: str) -> str:
        done = subprocess.run(
            ["sh", "-euc", text], cwd=self.folder, env=self.env, capture_output=True, text=True,
            timeout=PATIENCE_S * 2, check=False,
        )  # fmt: skip
        assert (done.returncode, done.stderr) == (0, ""), done
        return done.stdout

    @contextmanager
    def leaves_running(self, text: str) -> Iterator[subprocess.Popen[str]]:
        process = subprocess.Popen(
            ["sh", "-c", text], cwd=self.folder, env=self.env, stdout=subprocess.PIPE, text=True,
            start_new_session=True,
        )  # fmt: skip
        try:
            yield process
        finally:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
            assert process.stdout is not None
            process.stdout.close()


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Serving]:
    with serving(tmp_path_factory.mktemp("integrated") / "shop") as server:
        server.start_series()
        yield server


@pytest.fixture
def shell(tmp_path: Path, shop: Serving) -> Shell:
    return Shell(tmp_path, shop.url)


def newest(shop: Serving) -> dict:
    reading: dict = shop.get("/api/benches/main")["last_reading"]
    return reading


def test_every_example_of_the_page_is_tried_here() -> None:
    assert [each.place for each in examples(PAGE)] == [
        f"{PAGE}#{section}" for section in TRIED for _ in said(section)
    ]
    assert all(said(section) for section in TRIED)


@needs("curl", "jq")
def test_the_openapi_document_names_every_operation(shell: Shell) -> None:
    (line,) = said("the-openapi-document")
    assert {"/api/readings", "/api/live", "/api/trials.csv"} <= set(shell.types(line).split())


@needs("curl")
def test_a_reading_posted_twice_is_stored_once(shell: Shell) -> None:
    (line,) = said("post-readings")
    first, again = (json.loads(shell.types(line)) for _ in range(2))
    assert (first["stored"], first["known"], len(first["outcomes"])) == (1, 0, 1)
    assert (again["stored"], again["known"]) == (0, 1)


@needs("curl")
def test_the_live_stream_tells_what_was_and_what_comes(shell: Shell, shop: Serving) -> None:
    (line,) = said("the-live-stream")
    press(shop, 12.30)
    with shell.leaves_running(line) as process:
        assert process.stdout is not None
        for sent in ("12.30", "12.40"):
            assert any(f'"sent":"{sent}"' in each for each in process.stdout)
            if sent == "12.30":
                press(shop, 12.40)


def test_a_pipe_gets_what_is_new_and_a_file_what_happens(shell: Shell, shop: Serving) -> None:
    new, follow = said("into-a-pipe")
    press(shop, 12.31)
    ids = [json.loads(line)["reading_id"] for line in shell.types(new).splitlines()]
    assert ids[-1] == newest(shop)["id"]
    assert shell.types(new) == ""
    file = shell.folder / "events.jsonl"
    with shell.leaves_running(follow):
        assert until((shell.folder / "events.jsonl.cursor").exists)
        press(shop, 12.42)
        assert until(lambda: file.exists() and newest(shop)["id"] in file.read_text())


# ---------------------------------------------------------------- into other programs


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        port: int = found.getsockname()[1]
        return port


@contextmanager
def beside(*words: object, folder: Path) -> Iterator[subprocess.Popen[str]]:
    """Another program, for as long as it is needed."""
    with (folder / "beside.log").open("a") as log:
        process = subprocess.Popen(
            [*map(str, words)], cwd=folder, env={"PATH": PATH, "HOME": str(folder)},
            stdout=subprocess.PIPE, stderr=log, text=True,
        )  # fmt: skip
    try:
        yield process
    finally:
        process.kill()
        process.wait()
        assert process.stdout is not None
        process.stdout.close()


def answers(port: int) -> bool:
    with socket.socket() as asking:
        return asking.connect_ex(("127.0.0.1", port)) == 0


@needs("mosquitto", "mosquitto_pub", "mosquitto_sub")
def test_mqtt_gets_each_event(shell: Shell, shop: Serving) -> None:
    (line,) = said("mqtt")
    port = free_port()
    (shell.folder / "broker.conf").write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\n")
    # Where the line's client finds a broker that is not at the usual port.
    (shell.folder / ".config").mkdir()
    (shell.folder / ".config" / "mosquitto_pub").write_text(f"-p {port}\n")
    # The broker keeps for this one what comes while it is not there.
    hear = f"mosquitto_sub -p {port} -c -i hears -q 1 -t shop/bothends"
    with beside("mosquitto", "-c", "broker.conf", folder=shell.folder):
        assert until(lambda: answers(port))
        shell.types(f"{hear} -E")
        with shell.leaves_running(line):
            assert until((shell.folder / "mqtt.cursor").exists)
            press(shop, 12.33)
            event = json.loads(shell.types(f"{hear} -C 1"))
    assert (event["event"], event["bench"]) == ("reading", "main")
    assert event["data"]["id"] == newest(shop)["id"]


@needs("jq", "curl")
@pytest.mark.skipif(not Path(INFLUXD).exists(), reason="influxd not here: tests/run fetches it")
def test_a_time_series_database_gets_each_reading_once_at_its_moment(
    shell: Shell, shop: Serving
) -> None:
    (line,) = said("a-time-series-database")
    port = free_port()
    url = f"http://127.0.0.1:{port}"
    settings = 'reporting-enabled = false\nbind-address = "127.0.0.1:0"\n'
    settings += f'[meta]\ndir = "{shell.folder}/meta"\n[data]\ndir = "{shell.folder}/data"\n'
    settings += f'wal-dir = "{shell.folder}/wal"\n[http]\nbind-address = "127.0.0.1:{port}"\n'
    (shell.folder / "influx.conf").write_text(settings + "log-enabled = false\n")

    def rows(query: str) -> list[list]:
        asked = httpx2.post(f"{url}/query", params={"q": query, "db": "shop", "epoch": "ns"})
        (result,) = asked.json()["results"]
        return result.get("series", [{"values": []}])[0]["values"]

    with beside(INFLUXD, "-config", "influx.conf", folder=shell.folder):
        assert until(lambda: answers(port))
        rows("CREATE DATABASE shop")
        with shell.leaves_running(line.replace("http://127.0.0.1:8086", url)):
            assert until((shell.folder / "influx.cursor").exists)
            reading = {
                "id": "0199c3a0-6f8e-7c3a-9a56-000000000007", "bench": "main", "sent": "12.345",
                "caliper": "six inch, a=b", "unit": "mm", "taken_at": "2026-03-02T12:00:00.25Z",
            }  # fmt: skip
            shop.post("/api/readings", [reading])
            found = "SELECT mm, bench, caliper FROM readings"
            assert until(lambda: rows(found))
            assert rows(found) == [[1772452800_250000000, 12.345, "main", "six inch, a=b"]]


@needs("curl")
def test_a_webhook_gets_each_event_though_it_was_away(shell: Shell, shop: Serving) -> None:
    (line,) = said("a-webhook")
    got: list[dict] = []

    class Hook(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            got.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(204 if len(got) > 1 else 503)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Hook) as hook:
        threading.Thread(target=hook.serve_forever, daemon=True).start()
        shell.env["HOOK"] = f"http://127.0.0.1:{hook.server_address[1]}/"
        with shell.leaves_running(line):
            assert until((shell.folder / "hook.cursor").exists)
            press(shop, 12.35)
            assert until(lambda: len(got) > 1)
        hook.shutdown()
    assert got[0] == got[1]
    assert (got[0]["event"], got[0]["data"]["id"]) == ("reading", newest(shop)["id"])


def test_the_timers_are_written_and_said_how_to_enable(shell: Shell) -> None:
    (lines,) = said("on-a-schedule")
    shown = shell.types(lines)
    for what in ("pull", "backup"):
        assert f"systemctl --user enable --now bothends-{what}.timer" in shown
        assert (shell.folder / f".config/systemd/user/bothends-{what}.service").exists()
