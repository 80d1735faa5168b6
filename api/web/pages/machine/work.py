"""What an error of a cut does to the work: the form as it was filled in, and its answer."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from analysis import sentences
from analysis.units import Unit
from api.answers.work import WorkAnswer, work
from api.errors import InvalidField
from api.web.asked import number_of
from api.web.asked.work import work_of

_WORK_FIELDS: Final = ("angle_deg", "u_deg", "joint", "width", "height", "pieces", "gap", "unit")


@dataclass(frozen=True, slots=True)
class WorkAsked:
    """The form about the work as it was filled in, with its answer."""

    query: dict[str, str]
    unit: Unit
    found: WorkAnswer | None
    refused: str
    field: str


def work_asked(query: dict[str, str]) -> WorkAsked:
    unit: Unit = "in" if query.get("unit") == "in" else "mm"
    given = {name: query.get(name, "") for name in _WORK_FIELDS}
    if not any(given[name] for name in ("joint", "width", "height", "pieces", "gap")):
        given["joint"] = "150" if unit == "mm" else "6"
    try:
        asked = work_of(
            given["joint"], given["width"], given["height"], given["pieces"], given["gap"], unit
        )
        angle = number_of("angle_deg", given["angle_deg"])
        u = number_of("u_deg", given["u_deg"]) or 0.0
        found = work(None if angle is None else math.radians(angle), math.radians(u), asked)
    except InvalidField as error:
        return WorkAsked(given, unit, None, f"{sentences.capital(error.message)}.", error.field)
    return WorkAsked(given, unit, found, "", "")
