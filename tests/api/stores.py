"""A filled store, and ways to look at one."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType
from typing import Any

from sqlalchemy import Engine

from api.store.journal import Journal
from api.store.moving import digest
from api.store.tables import Base


def maker() -> ModuleType:
    """The script that made fixtures/stores, whose invented shop serves here too."""
    from importlib.util import module_from_spec, spec_from_file_location

    path = Path(__file__).parents[2] / "fixtures" / "stores" / "make.py"
    spec = spec_from_file_location("make_stores", path)
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def fill(engine: Engine) -> Journal:
    """Put a bit of everything into an empty store."""
    journal = Journal(engine)
    maker().fill(journal)
    return journal


def digests(engine: Engine) -> dict[str, Any]:
    """Every table's digest."""
    with engine.connect() as connection:
        return {t.name: digest(connection, t) for t in Base.metadata.sorted_tables}
