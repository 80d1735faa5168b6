"""The stops of a machine on its page: how each stands, and all of them in one picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from markupsafe import Markup
from sqlalchemy import Connection, Row

from analysis.sentences import number
from api.answers.good_until import good_until_by_stop
from api.answers.history import MachineHistory
from api.answers.stop_map import machine_map
from api.store.rows import stops as rows
from api.store.squares import SQUARE
from api.store.stamps import now
from api.web.convert.history import stop_state_out
from api.web.convert.stop_map import map_out
from api.web.pages.shared import charts
from api.web.pages.shared.charts import Scale
from api.web.shapes.history import StopStandingOut
from api.web.shapes.stops import MachineMapOut, MappedStopOut


@dataclass(frozen=True, slots=True)
class ListedStop:
    """A stop (a row of `tables.Stop`), how it stands, its place in the map, None where it has a
    bevel, and the series that it is known by, None where there is none."""

    row: Row[Any]
    standing: StopStandingOut
    mapped: MappedStopOut | None
    series: UUID | None

    @property
    def fixed(self) -> bool:
        """Whether its name stays, and it cannot be retired."""
        return bool(self.row.name == SQUARE)


@dataclass(frozen=True, slots=True)
class Stops:
    """The stops of a machine; map and chart where it has several."""

    listed: Sequence[ListedStop]
    retired: Sequence[Row[Any]]
    map: MachineMapOut | None
    chart: Markup

    @property
    def returns(self) -> bool:
        """Whether the chart shows how a stop returns."""
        return self.map is not None and any(map(_between, self.map.stops))

    @property
    def every(self) -> list[Row[Any]]:
        """Rows of all, the retired ones too."""
        return [*(each.row for each in self.listed), *self.retired]


def stops_of(store: Connection, found: MachineHistory) -> Stops:
    """The stops of a machine as its page lists them."""
    untils = good_until_by_stop(found, now())
    standing = [stop_state_out(each, untils[each.stop.id]) for each in found.state.stops]
    several = map_out(machine_map(store, found)) if len(standing) > 1 else None
    mapped = {each.stop.id: each for each in several.stops} if several else {}
    listed = [
        ListedStop(
            each.stop,
            how,
            mapped.get(each.stop.id),
            each.state.known[0].series.id if each.state.known else None,
        )
        for each, how in zip(found.state.stops, standing, strict=True)
    ]
    every = rows.stops(store, found.machine.id, retired=True)
    retired = [row for row in every if row.retired_at is not None]
    return Stops(listed, retired, several, map_chart(several) if several else Markup(""))


def map_chart(found: MachineMapOut) -> Markup:
    """The error of each stop with its uncertainty (thin), and how it returns (thick), against its
    nominal angle; empty where less than two are known."""
    known = [
        (stop.stop.nominal_deg, stop.error_deg, stop.expanded_uncertainty_deg or 0.0, stop)
        for stop in found.stops
        if stop.error_deg is not None
    ]
    if len(known) < 2:
        return Markup("")
    ends = [0.0]
    for _, error, u, stop in known:
        reach = max(u, _between(stop))
        ends += (error - reach, error + reach)
    x = Scale(*charts.padded([angle for angle, *_ in known]), 2.0, 98.0)
    y = Scale(*charts.padded(ends), 100.0, 0.0)
    parts = [*charts.values_axis(y, "deg"), charts.line(0, 100, 100, 100, "axis")]
    labels = []
    for tick in x.ticks():
        at = x.at(tick)
        parts.append(charts.line(at, 100, at, 102, "axis"))
        shown = number(tick, 0 if tick == int(tick) else 1).replace("-", "−")
        labels.append((at, f"{shown}°"))
    parts += charts.below(labels)
    parts.append(charts.text(50, 100, "nominal angle", "quiet", dy=2.7))
    for angle, error, u, stop in known:
        at, between = x.at(angle), _between(stop)
        parts.append(charts.line(at, y.at(error - u), at, y.at(error + u), "bars"))
        if between:
            parts.append(
                charts.line(at, y.at(error - between), at, y.at(error + between), "interval")
            )
        parts.append(charts.mark(at, y.at(error), "circle", "mean", words=stop.stop.name))
    return charts.chart("Errors of the stops by their angles", parts, found.sentence)


def _between(stop: MappedStopOut) -> float:
    return (stop.visits.between or 0.0) if stop.visits else 0.0
