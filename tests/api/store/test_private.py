"""What only the user may read: the files of the data folder."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest

from api.cli import main
from api.instruments.forward.queue import Queue
from api.server import Server
from api.settings import Settings
from capture.spec import parse_spec
from tests.whole.commands import done

pytestmark = pytest.mark.skipif("sys.platform == 'win32'", reason="POSIX modes")


def _modes(folder: Path) -> dict[str, str]:
    return {
        file.name: f"{stat.S_IMODE(file.stat().st_mode):04o}"
        for file in (folder, *folder.iterdir())
    }


def test_the_data_folder_is_made_for_the_user_alone(tmp_path: Path) -> None:
    server = Server(Settings(data=tmp_path / "new" / "data"))
    server.listening.add(parse_spec("serial:socket://127.0.0.1:9"))
    server.journal.add_machine("Window saw", "other")
    try:
        modes = _modes(tmp_path / "new" / "data")
    finally:
        server.close()
    assert modes.pop("data") == "0700"
    assert {"bothends.sqlite", "bothends.sqlite-wal", "calipers.json"} <= modes.keys()
    assert set(modes.values()) == {"0600"}


def test_what_others_could_read_is_narrowed(tmp_path: Path) -> None:
    Server(Settings(data=tmp_path)).close()
    (tmp_path / "bothends-before-0003.sqlite").touch()
    (tmp_path / "holiday.jpg").touch()
    for file in (tmp_path, *tmp_path.iterdir()):
        file.chmod(0o755)
    Server(Settings(data=tmp_path)).close()
    modes = _modes(tmp_path)
    assert modes.pop(tmp_path.name) == "0700"
    assert modes.pop("holiday.jpg") == "0755"  # not ours
    assert set(modes.values()) == {"0600"}


def test_a_home_and_a_folder_of_everybody_stay_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As where a person says --data ~ or --data /tmp."""
    home, everybodys = tmp_path / "home", tmp_path / "shared"
    monkeypatch.setenv("HOME", str(home))
    for folder, mode in ((home, 0o755), (everybodys, 0o1777)):
        folder.mkdir()
        folder.chmod(mode)
        Server(Settings(data=folder)).close()
        modes = _modes(folder)
        assert modes.pop(folder.name) == f"{mode:04o}"
        assert set(modes.values()) == {"0600"}


def test_a_benchs_queue_is_for_the_user_alone(tmp_path: Path) -> None:
    Queue(tmp_path / "bench" / "bench.sqlite").close()
    Queue(tmp_path / "bench" / "bench.sqlite").close()
    modes = _modes(tmp_path / "bench")
    assert modes.pop("bench") == "0700"
    assert set(modes.values()) == {"0600"}


def test_a_backup_is_for_the_user_alone_and_a_pull_as_its_user_has_it(tmp_path: Path) -> None:
    Server(Settings(data=tmp_path / "data")).close()
    data, copy, table = (str(tmp_path / name) for name in ("data", "copy.sqlite", "t.csv"))
    assert done("backup", "--data", data, "--to", copy).returncode == 0
    assert done("pull", "--data", data, "--to", table).returncode == 0
    modes = _modes(tmp_path)
    assert modes["copy.sqlite"] == modes["copy.sqlite.sha256"] == "0600"
    assert modes["t.csv"] == "0644"


def test_a_command_gives_the_rights_of_new_files_back(tmp_path: Path) -> None:
    Server(Settings(data=tmp_path / "data")).close()
    assert main(["doctor", "--data", str(tmp_path / "data")]) == 0
    (tmp_path / "mine").touch()
    assert _modes(tmp_path)["mine"] == "0644"
