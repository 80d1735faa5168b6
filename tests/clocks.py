"""A clock of its own for a program, by Debian's package faketime."""

from __future__ import annotations

from pathlib import Path
from typing import Final

FAKETIME: Final = next(iter(Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1")), None)


def other_time(**settings: str) -> dict[str, str]:
    """What the environment of a program says, so that its time of day follows from `settings`
    (faketime(1)); how long it waits for something does not."""
    return {"LD_PRELOAD": str(FAKETIME), "FAKETIME_DONT_FAKE_MONOTONIC": "1", **settings}
