"""The server on a network: quick answers, and a stranger on another computer."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest

from api.commands.serve import _listener
from tests.whole.serving import COMMAND

# One end of a cable between two computers (RFC 2544 sets these addresses aside for tests).
SERVER, STRANGER = "198.18.7.1", "198.18.7.2"


def test_answers_are_sent_at_once() -> None:
    """asyncio sets TCP_NODELAY on what a listener accepts only if it names its protocol."""

    async def accepted() -> int:
        found: asyncio.Future[int] = asyncio.get_running_loop().create_future()

        def arrived(_reader: Any, writer: asyncio.StreamWriter) -> None:
            told = writer.get_extra_info("socket")
            found.set_result(told.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY))
            writer.close()

        listener = _listener("127.0.0.1", 0)
        async with await asyncio.start_server(arrived, sock=listener):
            _, writer = await asyncio.open_connection(*listener.getsockname())
            answer = await found
            writer.close()
            return answer

    # A thread of its own: the browser of other tests keeps a loop running in this one.
    with ThreadPoolExecutor(1) as thread:
        assert thread.submit(asyncio.run, accepted()).result() != 0


Command = list[str]


@pytest.fixture
def cable() -> Iterator[tuple[Command, Command]]:
    """Two network namespaces joined by a cable: how to run something in each."""
    if sys.platform != "linux" or os.geteuid() != 0 or shutil.which("ip") is None:
        pytest.skip("two computers on one network need Linux, root and iproute2")
    one, other = (f"bothends-{os.getpid()}-{end}" for end in ("server", "stranger"))

    def ip(*words: str, check: bool = True) -> None:
        subprocess.run(["ip", *words], check=check, capture_output=True)

    try:
        ip("netns", "add", one)
        ip("netns", "add", other)
        ip("link", "add", "cable", "netns", one, "type", "veth", "peer", "cable", "netns", other)
        for name, address in ((one, SERVER), (other, STRANGER)):
            ip("-n", name, "address", "add", f"{address}/24", "dev", "cable")
            ip("-n", name, "link", "set", "cable", "up")
            ip("-n", name, "link", "set", "lo", "up")
        yield ["ip", "netns", "exec", one], ["ip", "netns", "exec", other]
    finally:
        ip("netns", "del", one, check=False)
        ip("netns", "del", other, check=False)


_ASK = """
import json, sys, urllib.error, urllib.request
base, asked = sys.argv[1], json.loads(sys.argv[2])
answers = []
for method, path, body, headers in asked:
    data = None if body is None else json.dumps(body).encode()
    headers |= {"Content-Type": "application/json"}
    request = urllib.request.Request(base + path, data, headers, method=method)
    try:
        with urllib.request.urlopen(request, timeout=30) as answer:
            answers.append([answer.status, answer.read().decode()])
    except urllib.error.HTTPError as error:
        answers.append([error.code, error.read().decode()])
print(json.dumps(answers))
"""


_CROWD = """
import selectors, socket, sys
told = selectors.DefaultSelector()
for _ in range(100):
    made = socket.create_connection((sys.argv[1], 8017), 30)
    made.sendall(b"GET /api/machines HTTP/1.1\\r\\nHost: ")
    told.register(made, selectors.EVENT_READ)
turned_away = 0
while turned_away < 36:
    for key, _ in told.select(30):
        assert key.fileobj.recv(1000).startswith(b"HTTP/1.1 503 ")
        told.unregister(key.fileobj)
        turned_away += 1
print(len(told.get_map()), flush=True)
sys.stdin.read()
"""


def ask(who: Command, server: str, *asked: Sequence[Any]) -> list[tuple[int, str]]:
    """Status and body of the answer to each request: method, path, body and headers."""
    full = [[*each, *(None, {})[len(each) - 2 :]] for each in asked]
    command = [*who, sys.executable, "-c", _ASK, f"http://{server}:8017", json.dumps(full)]
    said = subprocess.run(command, capture_output=True, check=True).stdout
    return [(status, body) for status, body in json.loads(said)]


def test_another_computer_does_what_its_token_says_and_nothing_without(
    cable: tuple[Command, Command], tmp_path: Path
) -> None:
    here, there = cable
    data, queue = tmp_path / "data", tmp_path / "queue"
    words = ["serve", "--data", str(data), "--host", "0.0.0.0", "--port", "8017"]
    server = subprocess.Popen(
        [*here, *COMMAND, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    outputs: list[str] = []

    def run(*words: str, status: int = 0, pressed: str = "", **env: str) -> str:
        done = subprocess.run(
            words, input=pressed, capture_output=True, text=True, env=os.environ | env, check=False
        )
        assert done.returncode == status, done.stderr
        if "token" in words:
            return done.stdout
        outputs.append(done.stdout + done.stderr)
        return outputs[-1]

    def token(name: str, *may: str) -> str:
        return run(*COMMAND, "token", "add", name, "--data", str(data), "--may", *may).strip()

    def bench(*more: str, status: int) -> str:
        url = f"http://{SERVER}:8017"
        words = ("bench", "--to", url, "--data", str(queue), "--caliper", "stdin:,unit=mm")
        more = ("--bench", "north", *more)
        return run(*there, *COMMAND, *words, *more, pressed="12.30\n", status=status)

    machine, evil = {"name": "Sled", "kind": "other"}, {"Host": "evil.example"}
    caliper = {"spec": f"serial:socket://{STRANGER}:9", "name": "far"}
    try:
        assert server.stdout is not None
        assert server.stdout.readline().startswith("ready ")
        answers = ask(
            there,
            SERVER,
            ("GET", "/api/health"),
            ("POST", "/api/machines", machine),
            ("GET", "/api/machines", None, evil),
            ("POST", "/api/calipers", caliper),
        )
        assert [status for status, _ in answers] == [200, 401, 421, 401]
        # What a bench of before there were tokens shows of it, which is no more than this.
        assert len(json.loads(answers[1][1])["detail"]) < 500

        # One that begins requests without an end holds up nobody.
        crowd = subprocess.Popen(
            [*there, sys.executable, "-c", _CROWD, SERVER],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert crowd.stdout is not None
        assert crowd.stdout.readline() == "64\n"
        press_here = {"id": str(uuid4()), "sent": "12.40", "unit": "mm", "caliper": "near"}
        press_here |= {"bench": "main", "taken_at": "2026-11-30T12:00:00Z"}
        ((status, _),) = ask(here, "127.0.0.1", ("POST", "/api/readings", [press_here]))
        assert status == 200
        crowd.communicate(timeout=60)

        said = bench(status=1)
        assert "bothends token add NAME --may press --bench north" in said
        assert "1 wait here for the server" in said
        file = tmp_path / "token"
        file.touch(0o600)
        press = token("north", "press", "--bench", "north")
        file.write_text(f"{press}\n")
        assert "sent 2 of 2" in bench("--token-file", str(file), status=0)
        read = token("copy", "read")
        pull = ("pull", f"http://{SERVER}:8017", "--what", "readings", "--to", "-")
        assert run(*there, *COMMAND, *pull, BOTHENDS_TOKEN=read).count("12.30") == 2

        admin = token("office", "admin")
        one, other = ({"Authorization": f"Bearer {each}"} for each in (press, admin))
        answers = ask(
            there,
            SERVER,
            ("POST", "/api/calipers", caliper, one),
            ("POST", "/api/machines", machine, one),
            ("POST", "/api/machines", machine, other),
            ("POST", "/api/calipers", caliper, other),
        )
        assert [status for status, _ in answers] == [403, 403, 201, 403]
        assert "--allow-network-calipers" in answers[3][1]
        ((status, _),) = ask(here, "127.0.0.1", ("POST", "/api/calipers", caliper))
        assert status == 201
        ((status, _),) = ask(there, SERVER, ("DELETE", "/api/calipers/far", None, other))
        assert status == 200
    finally:
        server.terminate()
        _, said = server.communicate(timeout=60)
    assert "everybody on the network can overhear what is sent" in said
    left = "".join([said, *outputs]).encode()
    for each in (*data.rglob("*"), *queue.rglob("*")):
        left += each.read_bytes() if each.is_file() else b""
    assert not [each for each in (press, read, admin) if each.encode() in left]
