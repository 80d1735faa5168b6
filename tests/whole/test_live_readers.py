"""Many readers of live events: served, refused in words, and let go as the program ends."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from api.commands.files import allow_files
from tests.ptys import PATIENCE_S, until
from tests.whole.serving import Serving, serving

# Files that the system allows, and the readers that this leaves places for.
_FILES, _PLACES = 256, 156

_LIMITED = f"""
import resource, sys
resource.setrlimit(resource.RLIMIT_NOFILE, ({_FILES}, {_FILES}))
from api.cli import main
raise SystemExit(main(sys.argv[1:]))
"""


class _Limited(Serving):
    """A server that may open few files."""

    def _program(self, words, log):  # type: ignore[no-untyped-def]
        return subprocess.Popen(
            [sys.executable, "-c", _LIMITED, *words], stdout=subprocess.PIPE, stderr=log, text=True
        )


def _asked(server: Serving) -> socket.socket:
    """A connection on which live events are asked for."""
    reader = socket.create_connection(("127.0.0.1", server.port), PATIENCE_S)
    host = f"127.0.0.1:{server.port}"
    reader.sendall(f"GET /api/live?bench=main HTTP/1.1\r\nHost: {host}\r\n\r\n".encode())
    return reader


def _read(reader: socket.socket, until: bytes) -> bytes:
    text = b""
    while until not in text:
        more = reader.recv(65_536)
        assert more, text
        text += more
    return text


@contextmanager
def _readers(server: Serving, count: int) -> Iterator[list[socket.socket]]:
    with ExitStack() as opened:
        readers = [opened.enter_context(_asked(server)) for _ in range(count)]
        for reader in readers:
            _read(reader, b"retry: 1000\n\n")
        yield readers


def test_five_hundred_readers_hear_a_press_and_are_let_go_at_the_end(tmp_path: Path) -> None:
    allow_files(1)
    with serving(tmp_path / "shop") as server:
        server.start_series()
        with _readers(server, 500) as readers:
            body = {"id": "00000000-0000-7000-8000-000000000001", "caliper": "six-inch"}
            body |= {"bench": "main", "sent": "12.30", "unit": "mm"}
            server.post("/api/readings", [body | {"taken_at": "2026-03-02T12:00:00Z"}])
            heard = [_read(reader, b'"sent":"12.30"') for reader in readers]
            assert len(heard) == 500
            began = time.monotonic()
            assert server.stop() == 0
            took = time.monotonic() - began
            for reader in readers:
                while reader.recv(65_536):
                    pass
        # Two seconds are wanted, and shown by benchmarks.live; as many more for a busy machine.
        assert took < 10
        assert server.log.read_text() == ""


@pytest.fixture
def limited(tmp_path: Path) -> Iterator[Serving]:
    with serving(tmp_path / "shop", kind=_Limited) as server:
        server.start_series()
        yield server


def test_more_readers_than_files_allow_are_refused_in_words_and_the_rest_goes_on(limited):
    with _readers(limited, _PLACES) as readers:
        answer = limited.client.get("/api/live?bench=main")
        assert answer.status_code == 503
        assert answer.headers["Content-Type"] == "application/problem+json"
        assert int(answer.headers["Retry-After"]) > 0
        assert json.loads(answer.text)["detail"] == (
            f"{_PLACES} pages and programs follow live events here, and this server serves no more"
            " at once; close some that nobody looks at, then try again"
        )
        assert limited.client.get("/").status_code == 200
        body = {"id": "00000000-0000-7000-8000-000000000001", "caliper": "six-inch"}
        body |= {"bench": "main", "sent": "12.30", "unit": "mm"}
        body |= {"taken_at": "2026-03-02T12:00:00Z"}
        assert limited.post("/api/readings", [body])["stored"] == 1
        for reader in readers:
            _read(reader, b'"sent":"12.30"')
        readers[0].close()

        def served() -> bool:
            with limited.client.stream("GET", "/api/live?bench=main") as again:
                return again.status_code == 200

        assert until(served)
    assert limited.log.read_text() == ""


def test_the_bench_page_shows_why_it_is_not_live_and_is_live_when_there_is_room(
    limited: Serving, browser: Browser
) -> None:
    page = browser.new_context().new_page()
    page.clock.install()
    with _readers(limited, _PLACES):
        page.goto(limited.url)
        expect(page.locator("#sign-live")).to_contain_text(
            f"not live: {_PLACES} pages and programs follow live events here"
        )
        expect(page.locator("#sign-live")).to_contain_text("this page does that by itself")
    page.clock.fast_forward(15_000)
    expect(page.locator("#sign-live")).to_have_text("live")
    page.context.close()
