"""What systemd itself says of a unit, with none of its services running."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path
from typing import Final

import pytest

needs_systemd: Final = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None,
    reason="needs systemd-analyze (Debian's package systemd, which tests/run installs)",
)
SHUT_IN: Final = 2.2
"""The most that a service of the system may be exposed, by systemd's measure from 0 to 10."""
OF_A_PERSON: Final = 6.5
"""The same of a person's: without root, systemd takes neither files nor devices from a service."""


def understands(folder: Path, *units: Path, user: bool = False) -> None:
    read = _analyze(folder, user, "verify", *units)
    assert (read.returncode, read.stdout, read.stderr) == (0, "", "")


def shuts_in(folder: Path, unit: Path, user: bool = False) -> None:
    most = f"--threshold={10 * (OF_A_PERSON if user else SHUT_IN):.0f}"
    judged = _analyze(folder, user, "security", "--offline=yes", "--no-pager", most, unit)
    assert "Overall exposure level" in judged.stdout, judged.stderr
    assert judged.returncode == 0, judged.stdout


def _analyze(folder: Path, user: bool, *words: object) -> subprocess.CompletedProcess[str]:
    """A person's systemd looks into their own folder of what runs, which a test has none of."""
    return subprocess.run(
        ["systemd-analyze", *(["--user"] if user else []), *map(str, words)],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"XDG_RUNTIME_DIR": str(folder)},
    )
