"""How this program was installed, told by the layout of its environment, and what adds to it."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any, Final

_PIPX_FOR_ALL: Final = Path("/opt/pipx")
"""Where `pipx install --global` puts programs."""


def add_command(package: str) -> str:
    """The command that installs `package`, such as "psycopg[binary]", beside this program.

    pipx and uv keep a program in an environment of its own and write a file into it; what is added
    past them is gone after their next upgrade. The environment of another user needs sudo.
    """
    prefix = Path(sys.prefix)
    if (prefix / "pipx_metadata.json").is_file():
        for_all = ["--global"] if prefix.is_relative_to(_PIPX_FOR_ALL) else []
        return _line(prefix, ["pipx", "inject", *for_all, prefix.name, package])
    if (prefix / "uv-receipt.toml").is_file():
        return _line(prefix, _uv_tool(prefix, package))
    if not any(prefix.glob("lib/python*/site-packages/pip")) and _made_by_uv(prefix):
        return _line(prefix, ["uv", "pip", "install", "--python", str(prefix), package])
    return _line(prefix, [sys.executable, "-m", "pip", "install", package])


def _uv_tool(prefix: Path, package: str) -> list[str]:
    """uv installs a tool anew with all that is said: what it has must be said again."""
    receipt = tomllib.loads((prefix / "uv-receipt.toml").read_text(encoding="utf-8"))
    asked: list[dict[str, Any]] = receipt["tool"]["requirements"]
    own = [each for each in asked if each["name"] == prefix.name]
    beside = [_requirement(each) for each in asked if each["name"] != prefix.name]
    words = ["uv", "tool", "install"]
    for each in [*beside, package]:
        words += ["--with", each]
    if any("editable" in each for each in own):
        words.append("--editable")
    return [*words, *(_requirement(each) for each in own)]


def _requirement(said: dict[str, Any]) -> str:
    """A requirement of a receipt as it stands on a command line."""
    extras = f"[{','.join(said['extras'])}]" if said.get("extras") else ""
    for place in ("directory", "editable", "path"):
        if place in said:
            return f"{said[place]}{extras}"
    for kind, scheme in (("url", ""), ("git", "git+")):
        if kind in said:
            return f"{said['name']}{extras} @ {scheme}{said[kind]}"
    return f"{said['name']}{extras}{said.get('specifier', '')}"


def _made_by_uv(prefix: Path) -> bool:
    try:
        lines = (prefix / "pyvenv.cfg").read_text(encoding="utf-8").splitlines()
    except OSError:
        return False
    return any(line.partition("=")[0].strip() == "uv" for line in lines)


def _line(prefix: Path, words: list[str]) -> str:
    if sys.platform == "win32":
        return subprocess.list2cmdline(words)
    return shlex.join(words if os.access(prefix, os.W_OK) else ["sudo", *words])
