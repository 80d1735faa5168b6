"""The series that a body asks for."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

from sqlalchemy import Row

from api.answers.proposed import Work
from api.answers.settings import AskedSeries
from api.answers.works import for_series
from api.errors import InvalidField
from api.web.shapes.machines import MachineOut
from api.web.shapes.series import SeriesIn

_RETIRED: Final = (
    "{} is retired, and what is measured of it would be in no list; bring it back first, on the"
    " machine's page"
)
_FIELDS: Final = SeriesIn.model_fields.keys() - {"machine", "stop", "work"}


def refuse_retired(machine: MachineOut, stop: Row[Any]) -> None:
    """Raises InvalidField where the machine or its stop is in no list any more."""
    if machine.retired_at is not None:
        raise InvalidField("machine", _RETIRED.format(machine.name))
    if stop.retired_at is not None:
        raise InvalidField("stop", _RETIRED.format(stop.name))


def series_asked(body: SeriesIn, stop: Row[Any] | None, work: Work | None) -> AskedSeries:
    """The series as it is asked for. stop: a row of `tables.Stop`, None for the `square` of a
    machine that is not on record yet. Raises InvalidField where it says a tolerance and a work."""
    asked = AskedSeries(**body.model_dump(include=_FIELDS))
    if stop is not None:
        asked = replace(
            asked, stop_id=stop.id, nominal_deg=stop.nominal_deg, bevel_deg=stop.bevel_deg
        )
    return asked if work is None else for_series(work, asked)
