"""What it takes to see an error, from the answer to its shape."""

from __future__ import annotations

import math

from api.answers.plan import Planned, SeenTable
from api.web.shapes.plan import PlanOut, PlanTable


def plan_out(planned: Planned) -> PlanOut:
    """What it takes to see an error."""
    asked, found = planned.asked, planned.found
    return PlanOut(
        method=asked.method.key,
        quantity=asked.relation.quantity,
        error_deg=math.degrees(asked.error_rad),
        width_mm=asked.width_mm,
        length_mm=asked.length_mm,
        cuts=asked.cuts,
        two_series=asked.two_series,
        alpha=asked.alpha,
        beta=asked.beta,
        reading_sd_mm=asked.reading_sd_mm,
        resolution_mm=asked.resolution_mm,
        own_sd_deg=math.degrees(asked.own_sd_rad),
        trial_sd_deg=math.degrees(found.trial_sd_rad),
        cuts_needed=found.cuts,
        width_needed_mm=found.width_mm,
        resolution_needed_mm=found.resolution_mm,
        seen_deg=math.degrees(planned.seen_rad),
        power=planned.power,
        sentences=list(planned.sentences),
        table=table_out(planned.table),
    )


def table_out(found: SeenTable) -> PlanTable:
    """The smallest error seen by width and number of cuts."""
    return PlanTable(
        widths_mm=list(found.widths_mm),
        cuts=list(found.cuts),
        smallest_deg=[
            [None if sd is None else effect * math.degrees(sd) for effect in found.effects]
            for sd in found.trial_sds_rad
        ],
    )
