"""Parquet is written in a process beside the server: it never outlives its reader or the server,
and a file that it could not end is not taken for a whole one."""

from __future__ import annotations

import http.client
import os
import pickle
import random
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import closing
from itertools import cycle, islice
from pathlib import Path
from typing import Any
from uuid import UUID

import pyarrow.parquet
import pytest
import uvicorn

from api.exports import trials
from api.exports.columns import BLOCK, Block, Blocks
from api.exports.parquet import parquet_chunks
from api.exports.parquet_process import parquet_in_child
from api.exports.wanted import Wanted
from api.server import Server
from api.settings import Settings
from api.web.app import build
from tests.api.bench import Person
from tests.api.conftest import local_client
from tests.ptys import until


def runs(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def told(file: Path) -> bytes:
    """What a file of /proc says; nothing where its thread or process has just ended."""
    try:
        return file.read_bytes()
    except OSError:
        return b""


def beside(process: int) -> list[int]:
    """The processes that write Parquet for `process`."""
    started = b" ".join(map(told, Path(f"/proc/{process}/task").glob("*/children")))
    return [
        pid
        for pid in map(int, started.split())
        if runs(pid) and b"api.exports.parquet_process" in told(Path(f"/proc/{pid}/cmdline"))
    ]


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    """A shop with some trials, one of them without an angle."""
    made = Server(Settings(data=tmp_path / "data"))
    with local_client(build(made)) as client:
        person = Person(client)
        person.start("Säge", baseline="8.026", unit="in")
        person.press("0.475", "0.482", "0.520", "0.513", "0.51236", unit="in")
    yield made
    made.close()


@pytest.fixture
def blocks(server: Server) -> list[Block]:
    """The same trials many times over, each with an id and an angle of its own: a group of rows."""
    with server.engine.connect() as store, closing(trials.blocks(store, Wanted())) as found:
        rows = list(zip(*next(found), strict=True))
    chance = random.Random(8017)
    id_at, angle_at = trials.TABLE.index("trial_id"), trials.TABLE.index("angle_deg")
    made = []
    for _ in range(40):
        columns = [list(column) for column in zip(*islice(cycle(rows), BLOCK), strict=True)]
        columns[id_at] = [str(UUID(int=chance.getrandbits(128))) for _ in range(BLOCK)]
        columns[angle_at] = [None if a is None else chance.gauss(a) for a in columns[angle_at]]
        made.append(columns)
    return made


@pytest.fixture
def endless(blocks: list[Block], monkeypatch: pytest.MonkeyPatch) -> None:
    """A history without end."""
    monkeypatch.setattr(trials, "blocks", lambda *_: cycle(blocks))


@pytest.fixture
def port(server: Server) -> Iterator[int]:
    """The application on the server, over a real socket."""
    web = uvicorn.Server(uvicorn.Config(build(server), log_config=None, lifespan="on"))
    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=web.run, args=([listener],))
        thread.start()
        assert until(lambda: web.started)
        yield listener.getsockname()[1]
        web.should_exit = True
        thread.join()


def asked(port: int, form: str = "parquet") -> Any:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    connection.request("GET", f"/api/trials.{form}")
    answer = connection.getresponse()
    assert answer.status == 200
    return connection, answer


def test_the_file_is_the_one_that_would_have_been_written_here(blocks, tmp_path):
    # No rows; less than a message; two groups of rows and the start of a third.
    for count in (0, 3, 87):
        files = [tmp_path / "here.parquet", tmp_path / "child.parquet"]
        for file, write in zip(files, (parquet_chunks, parquet_in_child), strict=True):
            file.write_bytes(b"".join(write(trials.TABLE, islice(cycle(blocks), count))))
        here, child = (pyarrow.parquet.read_table(file) for file in files)
        assert child.num_rows == count * BLOCK
        assert child.equals(here, check_metadata=True)
    assert beside(os.getpid()) == []


@pytest.mark.usefixtures("endless")
@pytest.mark.parametrize("form", ["parquet", "csv"])
def test_a_reader_who_leaves_leaves_nothing_running(port, server, form):
    connection, answer = asked(port, form)
    assert answer.read(1000)
    assert len(beside(os.getpid())) == (form == "parquet")
    answer.close()
    connection.close()
    assert until(lambda: beside(os.getpid()) == [])
    assert until(lambda: server.engine.pool.checkedout() == 0)


@pytest.mark.usefixtures("endless")
def test_a_file_that_breaks_off_is_not_taken_for_a_whole_one(port, server):
    connection, answer = asked(port)
    assert answer.read(1000)
    (pid,) = beside(os.getpid())
    os.kill(pid, signal.SIGKILL)
    with pytest.raises(http.client.IncompleteRead):
        answer.read()
    connection.close()
    assert until(lambda: server.engine.pool.checkedout() == 0)


def test_what_the_store_could_not_give_is_told_and_no_file_is_ended(blocks):
    def broken() -> Blocks:
        yield from islice(cycle(blocks), 60)
        raise OSError("the disk is gone")

    got = []
    with pytest.raises(OSError, match="the disk is gone"):
        got.extend(parquet_in_child(trials.TABLE, broken()))
    assert beside(os.getpid()) == []
    assert got
    assert not b"".join(got).endswith(b"PAR1")


def test_a_process_that_cannot_begin_is_told_before_anything_is_sent(blocks, monkeypatch):
    monkeypatch.setattr(sys, "executable", "/bin/false")
    with pytest.raises(ChildProcessError, match="ended with 1"):
        next(parquet_in_child(trials.TABLE, iter(blocks)))


_SERVER = """
import pickle, sys
from itertools import cycle
from api.exports.parquet_process import parquet_in_child
table, blocks = pickle.load(sys.stdin.buffer)
for part in parquet_in_child(table, cycle(blocks)):
    print(len(part), flush=True)
"""


def test_a_server_that_is_killed_leaves_nothing_running(blocks):
    with subprocess.Popen(
        [sys.executable, "-c", _SERVER], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as server:
        assert server.stdin is not None
        assert server.stdout is not None
        pickle.dump((trials.TABLE, blocks), server.stdin)
        server.stdin.flush()
        assert int(server.stdout.readline()) > 0
        (pid,) = beside(server.pid)
        server.kill()
    assert until(lambda: not runs(pid))
