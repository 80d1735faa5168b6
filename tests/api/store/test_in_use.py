"""Servers share a store; a restore has it alone, or not at all."""

from __future__ import annotations

import pytest

from api.server import Server
from api.settings import Settings
from api.store import in_use
from api.store.engine import StoreError, sqlite_url


def test_servers_share_a_store_and_a_restore_waits_for_the_last_to_end(tmp_path):
    store = tmp_path / "bothends.sqlite"
    one = Server(Settings(data=tmp_path))
    other = Server(Settings(data=tmp_path / "other", db=sqlite_url(tmp_path)))
    for server in (one, other):
        with pytest.raises(StoreError, match=r"a server has the store .* open.*stop it"):
            in_use.alone(store).__enter__()
        server.close()
    with in_use.alone(store), pytest.raises(StoreError, match="or another restore"):
        in_use.alone(store).__enter__()


def test_a_first_start_holds_the_store_that_it_makes(tmp_path):
    server = Server(Settings(data=tmp_path / "new"))
    with pytest.raises(StoreError, match="a server has"):
        in_use.alone(tmp_path / "new" / "bothends.sqlite").__enter__()
    server.close()


def test_a_server_that_starts_during_a_restore_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr(in_use, "_WAIT_S", 0.05)
    with (
        in_use.alone(tmp_path / "bothends.sqlite"),
        pytest.raises(StoreError, match="is being restored; start again"),
    ):
        Server(Settings(data=tmp_path))


def test_a_server_that_cannot_start_lets_the_store_go(tmp_path):
    (tmp_path / "methods").mkdir()
    (tmp_path / "methods" / "wrong.toml").write_text("no method")
    with pytest.raises(StoreError, match="correct the file"):
        Server(Settings(data=tmp_path))
    with in_use.alone(tmp_path / "bothends.sqlite"):
        pass


def test_one_copies_at_a_time_and_servers_go_on_meanwhile(tmp_path):
    store = tmp_path / "bothends.sqlite"
    server = Server(Settings(data=tmp_path))
    with in_use.as_copyist(store) as first, in_use.as_copyist(store) as second:
        assert (first, second) == (True, False)
        Server(Settings(data=tmp_path)).close()
    with in_use.as_copyist(store) as again:
        assert again
    server.close()


def test_a_file_that_cannot_be_locked_is_said(tmp_path):
    (tmp_path / "bothends.sqlite.lock").mkdir()
    with pytest.raises(StoreError, match="cannot be written"):
        in_use.alone(tmp_path / "bothends.sqlite").__enter__()
