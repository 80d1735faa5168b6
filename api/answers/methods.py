"""The methods there are: the built-in ones and those of the user's own.

A method of the user's own is a TOML file in the data folder's `methods`. A series keeps the
definition that it was measured by, so a store stays readable when the file is changed or deleted.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path

from sqlalchemy import Connection

from analysis.methods import METHODS, Method, custom_method
from api.errors import InvalidField
from api.settings import METHODS_FOLDER
from api.store.engine import StoreError
from api.store.facts import method_of
from api.store.rows.series import method_definitions, one_measured_by


def all_methods(connection: Connection | None, data: Path) -> Mapping[str, Method]:
    """The built-in methods, those that the store was measured by (none without a store), and
    those of `data`/methods/*.toml, by their keys.

    The fields of a file are those of `analysis.methods.custom_method`. Raises StoreError naming
    the file and the field that can't be right, or the key where a file was changed after the
    method was used: what was measured by a method must not change its meaning.
    """
    found = dict(METHODS)
    for definition in method_definitions(connection) if connection is not None else ():
        own = custom_method(definition)
        found.setdefault(own.key, own)
    for path in sorted((data / METHODS_FOLDER).glob("*.toml")):
        try:
            own = custom_method(tomllib.loads(path.read_text(encoding="utf-8")))
            if found.setdefault(own.key, own) != own:
                raise ValueError(f"key: {own.key!r} is another method already; choose another key")
        except (ValueError, OSError) as error:
            raise StoreError(f"{path}: {error}; correct the file, or take it away") from None
    return found


def method_named(
    connection: Connection, key: str, methods: Mapping[str, Method] = METHODS
) -> Method:
    """The method with that key: one of `methods`, or one that the store was measured by.

    Another server on the same store may know a method's file that this one does not. Raises
    InvalidField where nobody knows it.
    """
    if key in methods:
        return methods[key]
    row = one_measured_by(connection, key)
    if row is None:
        raise InvalidField("method", f"there is no method {key!r}; use one of {', '.join(methods)}")
    return method_of(row)
