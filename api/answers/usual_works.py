"""Works that a shop can start with, until it says its own."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Final

from sqlalchemy import Connection

from analysis.units import Unit
from api.store.rows.machines import alike
from api.store.rows.works import works

_SOURCE: Final = "common practice, no source"


@dataclass(frozen=True, slots=True)
class UsualWork:
    """A work that is not in the store yet; fields as the columns of `tables.Work`."""

    name: str
    tolerance_deg: str
    note: str = _SOURCE
    unit: Unit = "mm"
    gap: str | None = None
    joint: str | None = None

    def columns(self) -> dict[str, Any]:
        return {**asdict(self), "parts": None}


_USUAL: Final = (
    # Eight cuts add up in the last joint of a frame.
    UsualWork("picture frame", "0.05"),
    UsualWork("case work", "0.1"),
    UsualWork("carpentry", "0.5"),
)


def usual_works(connection: Connection) -> list[UsualWork]:
    """Those of which the store has none by that name, not even a retired one."""
    known = {alike(row.name) for row in works(connection, retired=True)}
    return [usual for usual in _USUAL if alike(usual.name) not in known]


def usual_called(name: str) -> UsualWork | None:
    """The one with this name, whatever the case of its letters and its spaces."""
    return next((usual for usual in _USUAL if alike(usual.name) == alike(name)), None)
