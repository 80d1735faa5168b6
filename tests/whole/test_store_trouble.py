"""A store that fails is seen on the Bench page while it does, and what was pressed comes after."""

from __future__ import annotations

import socket
import sqlite3
from collections.abc import Iterator
from itertools import chain
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from capture.pretend import PtyPort
from tests.api.postgres import postgres
from tests.disks import fill, small_disk
from tests.ptys import until
from tests.whole.forked import serving
from tests.whole.serving import Serving


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    with small_disk(tmp_path / "disk") as mounted:
        yield mounted


def _at_the_bench(server: Serving, page: Page) -> str:
    assert server.calipers_listen()
    series = server.start_series()
    page.goto(server.url)
    expect(page.locator("#sign-live")).to_contain_text("live")
    return series


def _plain(text: str) -> None:
    assert "http" not in text
    assert "INSERT" not in text
    assert "sqlalche" not in text.lower()


def test_a_full_disk_is_said_until_there_is_room(disk: Path, page: Page, port: PtyPort) -> None:
    with serving(disk / "data", "--caliper", f"serial:{port.target},unit=mm,name=g") as server:
        series = _at_the_bench(server, page)
        port.send(b"11.00\r\n")
        assert until(lambda: server.trials(series) == [["11.00"]])
        fill(disk / "photographs")
        widths = [f"{11 + n / 100:.2f}" for n in range(1, 7)]
        for width in widths:
            port.send(f"{width}\r\n".encode())
        notice = page.locator("#notice")
        expect(notice).to_contain_text("the disk is full; make room on it")
        expect(notice).to_contain_text("do not switch off")
        _plain(notice.inner_text())
        (told,) = server.get("/api/health")["calipers"]
        assert told["state"] == "trouble"
        assert "disk is full" in told["message"]
        answer = server.client.post("/api/machines", json={"name": "Sled", "kind": "other"})
        assert answer.status_code == 503
        assert "make room" in answer.json()["detail"]
        _plain(answer.text)
        (disk / "photographs").unlink()
        assert until(lambda: list(chain.from_iterable(server.trials(series)))[1:] == widths)
        expect(notice).to_be_hidden()


def test_a_locked_store_is_said_until_it_is_free(tmp_path: Path, page: Page, port: PtyPort) -> None:
    data = tmp_path / "data"
    with serving(data, "--caliper", f"serial:{port.target},unit=mm,name=g") as server:
        series = _at_the_bench(server, page)
        other = sqlite3.connect(data / "bothends.sqlite", isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        port.send(b"11.20\r\n11.30\r\n")
        notice = page.locator("#notice")
        expect(notice).to_contain_text("does not answer")
        assert until(lambda: server.get("/api/health")["calipers"][0]["state"] == "trouble")
        other.rollback()
        other.close()
        assert until(lambda: server.trials(series) == [["11.20", "11.30"]])
        expect(notice).to_be_hidden()


@pytest.mark.timeout(300)
def test_a_stop_while_the_database_hangs_names_what_is_not_stored(
    tmp_path: Path, port: PtyPort
) -> None:
    spec = f"serial:{port.target},unit=mm,name=g"
    with postgres() as database:
        url = database.url(database.new_database())
        with serving(tmp_path / "data", "--db", url, "--caliper", spec) as server:
            assert server.calipers_listen()
            with server.client.stream("GET", "/api/live?bench=main") as events:
                lines = events.iter_lines()
                assert next(lines).startswith("retry")
                with database.paused():
                    port.send(b"12.30\r\n")
                    assert any("does not answer" in line for line in lines)
                    asking = socket.create_connection(("127.0.0.1", server.port))
                    asking.sendall(b"GET /api/health HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
                    server.process.terminate()
                    assert server.process.wait(120) == 1
                    asking.close()
            assert "Traceback" not in server.log.read_text()
            assert "could not be stored: 12.30 mm" in server.log.read_text()
