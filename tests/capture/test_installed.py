"""What is missing is added by the tool that installed the program.

The layouts are those that pipx 1.18 and uv 0.13 leave behind.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from capture.installed import add_command

MISSING = "psycopg[binary]"


@pytest.fixture
def prefix(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of an environment that holds nothing yet."""
    folder = tmp_path / "bothends"
    folder.mkdir()
    monkeypatch.setattr(sys, "prefix", str(folder))
    monkeypatch.setattr(sys, "executable", str(folder / "bin" / "python"))
    return folder


def test_in_an_environment_of_ones_own_pip_is_named_by_its_whole_path(prefix: Path) -> None:
    assert add_command(MISSING) == f"{prefix}/bin/python -m pip install '{MISSING}'"


def test_pipx_injects_by_the_name_that_it_knows_the_program_by(
    prefix: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (prefix / "pipx_metadata.json").write_text("{}")
    assert add_command(MISSING) == f"pipx inject bothends '{MISSING}'"
    monkeypatch.setattr("capture.installed._PIPX_FOR_ALL", prefix.parent)
    assert add_command("pyarrow") == "pipx inject --global bothends pyarrow"


@pytest.mark.parametrize(
    ("requirements", "words"),
    [
        ('{ name = "bothends", directory = "/home/me/bothends" }', "/home/me/bothends"),
        ('{ name = "bothends", editable = "/b" }', "--editable /b"),
        ('{ name = "bothends", extras = ["xlsx"], directory = "/b" }', "'/b[xlsx]'"),
        ('{ name = "bothends", specifier = ">=0.8" }', "'bothends>=0.8'"),
        ('{ name = "bothends", url = "https://shop.example/b.whl" }',
         "'bothends @ https://shop.example/b.whl'"),
        ('{ name = "bothends", git = "https://shop.example/b" }',
         "'bothends @ git+https://shop.example/b'"),
    ],
)  # fmt: skip
def test_uv_is_told_again_where_the_program_came_from(
    prefix: Path, requirements: str, words: str
) -> None:
    receipt = prefix / "uv-receipt.toml"
    receipt.write_text(f"[tool]\nrequirements = [{requirements}]\n")
    assert add_command("pyarrow") == f"uv tool install --with pyarrow {words}"


def test_what_uv_added_before_stays(prefix: Path) -> None:
    said = '[{ name = "bothends", directory = "/b" }, { name = "openpyxl", specifier = ">3" }]'
    (prefix / "uv-receipt.toml").write_text(f"[tool]\nrequirements = {said}\n")
    assert add_command("pyarrow") == ("uv tool install --with 'openpyxl>3' --with pyarrow /b")


def test_an_environment_that_uv_made_without_pip_is_added_to_by_uv(prefix: Path) -> None:
    (prefix / "pyvenv.cfg").write_text("home = /usr/bin\nuv = 0.13.9\n")
    assert add_command("pyarrow") == f"uv pip install --python {prefix} pyarrow"
    (prefix / "lib/python3.14/site-packages/pip").mkdir(parents=True)
    assert add_command("pyarrow") == f"{prefix}/bin/python -m pip install pyarrow"


def test_what_another_user_owns_is_added_to_by_root(
    prefix: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("os.access", lambda _path, _mode: False)
    assert add_command("pyarrow") == f"sudo {prefix}/bin/python -m pip install pyarrow"
