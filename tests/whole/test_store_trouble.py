"""A store that fails is seen on the Bench page while it does, and what was pressed comes after."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from itertools import chain
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from capture.pretend import PtyPort
from tests.ptys import until
from tests.whole.forked import serving
from tests.whole.serving import Serving


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of a few megabytes."""
    if sys.platform != "linux" or os.geteuid() != 0:
        pytest.skip("a disk of its own needs Linux and root")
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", disk], check=False)
    if mounted.returncode != 0:
        pytest.skip("this system mounts nothing here")
    try:
        yield disk
    finally:
        subprocess.run(["umount", "-l", disk], check=True)


def _fill(file: Path) -> None:
    with file.open("wb", buffering=0) as out:
        for size in (65_536, 512):
            while True:
                try:
                    out.write(b"x" * size)
                except OSError:
                    break


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


def test_a_full_disk_is_said_until_there_is_room(
    small_disk: Path, page: Page, port: PtyPort
) -> None:
    with serving(
        small_disk / "data", "--caliper", f"serial:{port.target},unit=mm,name=g"
    ) as server:
        series = _at_the_bench(server, page)
        port.send(b"11.00\r\n")
        assert until(lambda: server.trials(series) == [["11.00"]])
        _fill(small_disk / "photographs")
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
        (small_disk / "photographs").unlink()
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
