"""What `bothends serve` does beside serving."""

from __future__ import annotations

import asyncio
import logging
import subprocess
import sys
from unittest.mock import MagicMock

import pytest
import uvicorn
from starlette.types import Receive, Scope, Send
from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol
from uvicorn.server import ServerState

from api.commands.serve import _is_news

_WITHOUT_A_FILE = """
import logging, os, resource
from api.commands import serve
logging.basicConfig(format="%(message)s")
first_free = os.open("/", os.O_RDONLY)
os.close(first_free)
resource.setrlimit(resource.RLIMIT_NOFILE, (first_free, first_free))
serve._warm_up()
"""


def test_a_lack_of_files_just_after_the_start_is_said_in_one_sentence() -> None:
    ended = subprocess.run(
        [sys.executable, "-c", _WITHOUT_A_FILE], capture_output=True, text=True, check=False
    )
    assert ended.returncode == 0, ended.stderr
    (line,) = ended.stderr.splitlines()
    assert line.startswith("the first trial will take a moment longer")
    assert "Too many open files" in line


def test_what_strangers_send_that_nothing_answers_fills_no_log(
    caplog: pytest.LogCaptureFixture,
) -> None:
    async def send(head: bytes) -> None:
        async def app(_scope: Scope, _receive: Receive, _send: Send) -> None:
            pass

        config = uvicorn.Config(app, ws="none", log_config=None)
        protocol = HttpToolsProtocol(config, ServerState(), {})
        protocol.connection_made(MagicMock())
        protocol.data_received(head)
        await asyncio.sleep(0)

    for head in (
        b"no request\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: a\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n\r\n",
    ):
        asyncio.run(send(head))
        warned = [each for each in caplog.records if each.levelno == logging.WARNING]
        assert warned
        said = [each.getMessage() for each in warned if _is_news(each)]
        assert said == []
        caplog.clear()
