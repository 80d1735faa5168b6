"""Methods of the user's own: one TOML file each in the data folder's `methods`.

A series keeps the definition that it was measured by, so a store is read by that, whatever
became of the file.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, select

from analysis.methods import add_method, custom_method
from api.store.engine import StoreError
from api.store.tables import Series

_definitions: dict[str, dict[str, Any]] = {}


def load_own_methods(data: Path) -> None:
    """Let the program know every method described in `data`/methods/*.toml.

    The fields of a file are those of `analysis.methods.custom_method`. Raises StoreError
    naming the file and the field that can't be right.
    """
    for path in sorted((data / "methods").glob("*.toml")):
        try:
            _learn(tomllib.loads(path.read_text(encoding="utf-8")))
        except (ValueError, OSError) as error:
            raise StoreError(f"{path}: {error}; correct the file, or take it away") from None


def learn_measured_methods(engine: Engine) -> None:
    """Let the program know every method of the user's own that the store was measured by.

    To be called before `load_own_methods`, which then refuses a file that was changed.
    """
    with engine.connect() as connection:
        for data in connection.scalars(
            select(Series.method_data).where(Series.method_data.is_not(None))
        ):
            if data is not None and data["key"] not in _definitions:
                _learn(data)


def definition(key: str) -> dict[str, Any] | None:
    """The definition of a method of the user's own, None for a built-in one."""
    return _definitions.get(key)


def _learn(data: dict[str, Any]) -> None:
    own = custom_method(data)
    add_method(own)
    _definitions[own.key] = data
