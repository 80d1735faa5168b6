"""From the map of a machine to its shapes."""

from __future__ import annotations

from analysis.stop_map import Fitted
from api.answers.stop_map import MachineMap, MappedStop
from api.answers.works import as_leaning
from api.web.convert import outward, stop_head, visits_out
from api.web.shapes.machines import MachineOut
from api.web.shapes.stops import FittedOut, MachineMapOut, MappedStopOut


def map_out(found: MachineMap) -> MachineMapOut:
    """The map of a machine."""
    told = found.found
    return MachineMapOut(
        machine=MachineOut.model_validate(found.machine),
        stops=[_stop_out(each) for each in found.stops],
        left_out=list(found.left_out),
        told=told.told,
        zero=_fitted(told.zero),
        scale=None
        if told.scale is None
        else FittedOut(value=told.scale.value, expanded_uncertainty=told.scale.expanded),
        bad=_fitted(told.bad),
        bad_stop=told.stop,
        first=told.first,
        sentence=told.sentence,
    )


def _fitted(found: Fitted | None) -> FittedOut | None:
    if found is None:
        return None
    value, expanded = outward(found.value, "angle"), outward(found.expanded, "angle")
    return FittedOut(value=value, expanded_uncertainty=expanded)


def _stop_out(found: MappedStop) -> MappedStopOut:
    row, known = found.stop, found.known
    head = stop_head(row.id, row.name, row.nominal_deg, row.bevel_deg)
    if known is None:
        return MappedStopOut(stop=head)
    return MappedStopOut(
        stop=head,
        series=known.series.id,
        checked_at=known.at,
        error_deg=outward(known.check.mean * as_leaning(known, row), "angle"),
        expanded_uncertainty_deg=outward(known.check.expanded, "angle"),
        verdict=known.check.verdict,
        visits=None if found.visits is None else visits_out(found.visits, "angle", "mm"),
    )
