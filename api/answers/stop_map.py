"""A machine's stops in one picture: the error of each, and what they have in common."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row

from analysis.stop_map import StopError, StopMap, stop_map
from analysis.visits import Visits
from api.answers.history import MachineHistory
from api.answers.machine_state import KnownCheck
from api.answers.returned import of_stop
from api.answers.series import series
from api.answers.works import as_leaning, leaning


@dataclass(frozen=True, slots=True)
class MappedStop:
    """A stop (a row of `tables.Stop`), what is known of its angle, and how it returned within that
    series; None of each where nothing is."""

    stop: Row[Any]
    known: KnownCheck | None
    visits: Visits | None

    @property
    def at(self) -> datetime | None:
        return None if self.known is None else self.known.at


@dataclass(frozen=True, slots=True)
class MachineMap:
    """The stops of a machine without a bevel, by their angles, and what was found of them together.
    left_out: the names of those with a bevel."""

    machine: Row[Any]
    stops: Sequence[MappedStop]
    left_out: tuple[str, ...]
    found: StopMap


def machine_map(connection: Connection, history: MachineHistory) -> MachineMap:
    """The map of a machine, from what is known of each stop since the last setup change."""
    flat = [each for each in history.state.stops if each.stop.bevel_deg == "0"]
    flat.sort(key=lambda each: float(each.stop.nominal_deg))
    stops = [
        MappedStop(each.stop, known, None if known is None else _visits(connection, known))
        for each in flat
        for known in [None if each.state.changed else _angle(each.state.known)]
    ]
    return MachineMap(
        history.machine,
        stops,
        tuple(e.stop.name for e in history.state.stops if e.stop.bevel_deg != "0"),
        stop_map([_error(history, each.stop, each.known) for each in stops if each.known]),
    )


def _angle(known: Sequence[KnownCheck]) -> KnownCheck | None:
    """The latest that judges which way a cut leans, by the whole fence: of miters those that are
    cut at one stop. The gap of a frame does not say which way."""
    angles = [k for k in known if _leans(k) and k.half is None]
    return max(angles, key=lambda k: k.at, default=None)


def _leans(known: KnownCheck) -> bool:
    return leaning(known.series.facts.method, known.series.row) is not None


def _visits(connection: Connection, known: KnownCheck) -> Visits | None:
    return series(connection, known.series.id).visits.get("angle")


def _error(history: MachineHistory, stop: Row[Any], known: KnownCheck) -> StopError:
    check, way = known.check, as_leaning(known, stop)
    of_series = known.series.systematic("angle")
    # A mean of several visits has the scatter from visit to visit in its own uncertainty.
    came = None if check.visits is not None else of_stop(history.series, stop.id)
    return StopError(
        stop.name,
        math.radians(float(stop.nominal_deg)),
        check.mean * way,
        check.anew_u,
        check.anew_df,
        replace(of_series, terms={source: way * u for source, u in of_series.terms.items()}),
        0.0 if came is None else came.careful_sd,
        came is not None or check.visits is not None,
    )
