"""Calipers on real USB, in an emulated computer: all of tests/usb/guest as one test."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

RUN = Path(__file__).with_name("run")


@pytest.mark.skipif(
    "BOTHENDS_USB" not in os.environ,
    reason="some minutes of emulated USB: run `sh tests/usb/run`, or set BOTHENDS_USB=1",
)
@pytest.mark.timeout(900)
def test_calipers_on_real_usb_lose_nothing_and_type_nowhere_else() -> None:
    tried = subprocess.run(["sh", RUN], capture_output=True, text=True)
    assert tried.returncode == 0, tried.stdout + tried.stderr
