"""The stops and works that the lines of an old notebook name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Row, select

from api.answers.headings import heading_of
from api.answers.settings import AskedSeries
from api.answers.stop_angles import MOST_DEG, angle_text
from api.answers.works import for_series
from api.errors import InvalidField
from api.store.rows.machines import alike
from api.store.rows.works import works
from api.store.squares import SQUARE
from api.store.tables import Machine, Stop

_Angles = tuple[str, str]
"""Nominal angle and bevel, as the store has them."""


@dataclass(frozen=True, slots=True)
class Named:
    """What lines may name without saying more of it. stops: by machine and stop, as `alike` has
    their names; those that lines said first are added. works: by name."""

    stops: dict[tuple[str, str], _Angles] = field(default_factory=dict)
    works: Mapping[str, Row[Any]] = field(default_factory=dict)

    def at_stop(self, settings: AskedSeries, machine: str, said: Mapping[str, str]) -> AskedSeries:
        """The settings at the stop that a line names. Raises ValueError where its angle is not
        known, or another one."""
        stop = said.get("stop", SQUARE)
        angles = {name: angle_text(name, said[name]) for name in MOST_DEG if name in said}
        square = alike(stop) == SQUARE
        known = ("0", "0") if square else self.stops.get((alike(machine), alike(stop)))
        if known is None:
            if "nominal_deg" not in angles:
                raise ValueError(
                    f"{machine} has no stop {stop} yet; say its angle from square in a column"
                    f" {heading_of('nominal_deg')}, and it is made"
                )
            known = angles["nominal_deg"], angles.get("bevel_deg", "0")
            self.stops[alike(machine), alike(stop)] = known
        for field_name, is_at in zip(MOST_DEG, known, strict=True):
            if angles.get(field_name, is_at) != is_at:
                raise ValueError(
                    f"{heading_of(field_name)}: {angles[field_name]}, and {stop} of {machine}"
                    f" is at {is_at} degrees; name another stop, or correct the angle"
                )
        return replace(settings, nominal_deg=known[0], bevel_deg=known[1])

    def for_work(self, settings: AskedSeries, name: str | None) -> tuple[AskedSeries, UUID | None]:
        """The settings with the tolerance of the work that a line names, and the work's id. Raises
        ValueError where there is none."""
        if name is None:
            return settings, None
        work = self.works.get(alike(name))
        if work is None:
            raise ValueError(f"there is no work {name}; make it first, on the page Works")
        try:
            return for_series(work, settings), work.id
        except InvalidField as error:
            raise ValueError(f"{heading_of(error.field)}: {error.message}") from None


def named_in(connection: Connection) -> Named:
    """The stops and works in a store."""
    machines = connection.execute(select(Machine.id, Machine.name, Machine.merged_into)).all()
    into = {row.id: row.merged_into for row in machines}
    stops: dict[UUID, list[tuple[str, _Angles]]] = {}
    for row in connection.execute(select(Stop.__table__)):
        angles = (row.nominal_deg, row.bevel_deg)
        stops.setdefault(row.machine_id, []).append((alike(row.name), angles))
    found: dict[tuple[str, str], _Angles] = {}
    for row in machines:
        at = row.id
        while into[at] is not None:
            at = into[at]
        found |= {(alike(row.name), stop): angles for stop, angles in stops.get(at, ())}
    return Named(found, {alike(row.name): row for row in works(connection, retired=True)})
