"""What a server starts with where nothing else is said."""

from __future__ import annotations

import sys
from dataclasses import FrozenInstanceError
from pathlib import Path

import pytest

from api.settings import Settings, program, user_data


def test_a_server_is_reached_from_its_own_computer_alone_unless_asked(tmp_path):
    found = Settings(data=tmp_path)
    assert (found.host, found.db, found.allow_hosts, found.calipers) == ("127.0.0.1", None, (), ())
    assert not found.pretend
    assert found.backups == 7
    with pytest.raises(FrozenInstanceError):
        found.host = "0.0.0.0"  # type: ignore[misc]


def test_the_command_is_that_of_the_running_environment(monkeypatch, tmp_path):
    assert program().parent == Path(sys.executable).parent
    monkeypatch.setattr(sys, "executable", str(tmp_path / "an environment" / "python3.11"))
    assert program() == tmp_path / "an environment" / "bothends"


@pytest.mark.skipif(sys.platform != "linux", reason="the folder is where XDG says")
def test_a_users_data_is_where_the_platform_keeps_it(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert user_data() == tmp_path / "bothends"
    assert not user_data().exists()
