"""The demo writes into no store but its own."""

from __future__ import annotations

from pathlib import Path

from api.server import Server
from api.settings import Settings
from api.store.engine import sqlite_url
from tests.whole.commands import done
from tests.whole.forked import serving


def test_the_demo_leaves_a_store_of_somebodys_as_it_is(tmp_path: Path) -> None:
    server = Server(Settings(data=tmp_path))
    server.journal.add_machine("Window saw", "other")
    server.close()
    store = tmp_path / "bothends.sqlite"
    before = store.read_bytes()
    for where in (["--data", str(tmp_path)], ["--db", sqlite_url(tmp_path)]):
        tried = done("serve", "--port", "0", "--pretend", *where)
        assert tried.returncode == 2
        assert "did not make" in tried.stderr
        assert tried.stdout == ""
    assert store.read_bytes() == before


def test_the_demo_leaves_a_store_alone_in_which_nothing_is_yet(tmp_path: Path) -> None:
    Server(Settings(data=tmp_path)).close()
    assert done("serve", "--port", "0", "--pretend", "--data", str(tmp_path)).returncode == 2


def test_the_demo_goes_on_with_its_own_store_which_is_said_to_be_invented(tmp_path: Path) -> None:
    data = tmp_path / "demo"
    for _ in range(2):
        with serving(data, "--pretend") as server:
            assert len(server.get("/api/machines")) == 3
            assert server.post("/api/benches/main/pretend-press")["sent"]
    with serving(data) as server:
        assert "invented readings" in server.log.read_text()
