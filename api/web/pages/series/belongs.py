"""What a series belongs to, as its page says it: the stop it was cut at, the work it is for."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup
from sqlalchemy import Connection, Row

from analysis.methods import Quantity
from api.answers.series import SeriesAnswer
from api.answers.works import tolerances
from api.store.rows import stops, works
from api.web.pages.shared.numbers import at_a_stop, degrees
from api.web.shapes.series import SeriesOut


@dataclass(frozen=True, slots=True)
class Belongs:
    """stop: with its angles, "" where the machine has `square` alone. named: the stop to follow
    the machine's name, "" likewise. cuts_at: the angle itself, None where the result is no lean of
    the cut, or nominal is square. work: the row of `tables.Work`. outdated: what the work needs was
    corrected since."""

    stop: str
    named: str
    nominal: str
    cuts_at: Markup | None
    work: Row[Any] | None
    outdated: bool

    def settings(self) -> Iterator[tuple[str, str | Markup]]:
        """The words of each and what it is."""
        if self.stop:
            yield "Stop", self.stop
        if self.work is not None:
            link = Markup('<a href="/works/{}">{}</a>').format(self.work.id, self.work.name)
            yield "For the work", link


def belongs(connection: Connection, found: SeriesAnswer, series: SeriesOut) -> Belongs:
    """What the page says of it."""
    stop = series.stop
    several = series.machine.id in stops.with_several(connection)
    nominal = degrees(found.row.nominal_deg)
    bevel = "" if not stop.bevel_deg else f", bevel {degrees(found.row.bevel_deg)}"
    work = None if series.work is None else works.work(connection, series.work)
    return Belongs(
        stop=f"{stop.name}, {nominal}{bevel}" if several else "",
        named=f", {stop.name}" if several else "",
        nominal=nominal,
        cuts_at=_cuts_at(series),
        work=work,
        outdated=work is not None and _needed(series) != tolerances(work, series.unit),
    )


def _cuts_at(series: SeriesOut) -> Markup | None:
    key: Quantity = "angle"
    if not series.stop.nominal_deg or series.actual_deg is None:
        return None
    u = series.score.quantities[key].expanded_uncertainty
    return at_a_stop(series.actual_deg, u)


def _needed(series: SeriesOut) -> dict[str, str | None]:
    given = series.tolerance
    said = {} if given is None else given.model_dump()
    return {
        f"tolerance_{name}": said.get(name) for name in ("deg", "gap", "joint", "length", "nominal")
    }
