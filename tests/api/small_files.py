"""The small files of a data folder: remembered calipers, a method of the user's own."""

from __future__ import annotations

import json
from pathlib import Path

CALIPERS = json.dumps({"calipers": ["serial:socket://127.0.0.1:9,name=six inch"]})
SLED = """
key = "sled-turn"
title = "Sled turn"
places = ["runner end", "far corner"]
quantity = "angle"
terms = [[3, 1]]
baseline = "length of the sled's fence"
"""
NAMES = ["calipers.json", "methods/sled.toml"]


def put_small_files(data: Path) -> None:
    (data / "methods").mkdir(parents=True)
    (data / "methods" / "sled.toml").write_text(SLED)
    (data / "calipers.json").write_text(CALIPERS)


def small_files(data: Path) -> dict[str, str]:
    """What is there, by name."""
    return {name: (data / name).read_text() for name in NAMES if (data / name).exists()}


ALL = dict(zip(NAMES, (CALIPERS, SLED), strict=True))
