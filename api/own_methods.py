"""Methods of the user's own: one TOML file each in the data folder's `methods`."""

from __future__ import annotations

import tomllib
from pathlib import Path

from analysis.methods import add_method, custom_method
from api.store.engine import StoreError


def load_own_methods(data: Path) -> None:
    """Let the program know every method described in `data`/methods/*.toml.

    The fields of a file are those of `analysis.methods.custom_method`. Raises StoreError
    naming the file and the field that can't be right.
    """
    for path in sorted((data / "methods").glob("*.toml")):
        try:
            add_method(custom_method(tomllib.loads(path.read_text(encoding="utf-8"))))
        except (ValueError, OSError) as error:
            raise StoreError(f"{path}: {error}; correct the file, or take it away") from None
