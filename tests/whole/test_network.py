"""The server on a network: quick answers, and a stranger on another computer."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

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
method, url, body, host = sys.argv[1:]
headers = {"Content-Type": "application/json"} | ({"Host": host} if host else {})
request = urllib.request.Request(url, body.encode() or None, headers, method=method)
try:
    with urllib.request.urlopen(request, timeout=30) as answer:
        print(json.dumps([answer.status, answer.read().decode()]))
except urllib.error.HTTPError as error:
    print(json.dumps([error.code, error.read().decode()]))
"""


def test_a_stranger_measures_but_sets_no_caliper_up(
    cable: tuple[Command, Command], tmp_path: Path
) -> None:
    here, there = cable
    words = ["serve", "--data", str(tmp_path / "data"), "--host", "0.0.0.0", "--port", "8017"]
    server = subprocess.Popen(
        [*here, *COMMAND, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    try:
        assert server.stdout is not None
        assert server.stdout.readline().startswith("ready ")

        def ask(who: Command, method: str, path: str, body: Any = None, host: str = "") -> Any:
            address = f"http://{SERVER if who is there else '127.0.0.1'}:8017{path}"
            said = "" if body is None else json.dumps(body)
            asked = [*who, sys.executable, "-c", _ASK, method, address, said, host]
            return json.loads(subprocess.run(asked, capture_output=True, check=True).stdout)

        assert ask(there, "GET", "/api/health")[0] == 200
        assert ask(there, "POST", "/api/machines", {"name": "Sled", "kind": "other"})[0] == 201
        assert ask(there, "GET", "/api/machines", host="evil.example")[0] == 421
        caliper = {"spec": f"serial:socket://{STRANGER}:9", "name": "far"}
        status, answer = ask(there, "POST", "/api/calipers", caliper)
        assert (status, "own computer" in answer) == (403, True)
        assert ask(there, "POST", "/api/identify", {})[0] == 403
        assert ask(here, "POST", "/api/calipers", caliper)[0] == 201
        assert ask(there, "DELETE", "/api/calipers/far")[0] == 403
        assert ask(here, "DELETE", "/api/calipers/far")[0] == 200
    finally:
        server.terminate()
        _, said = server.communicate(timeout=60)
    assert "everybody who reaches port 8017" in said
    assert "everybody on the network can overhear what is sent" in said
