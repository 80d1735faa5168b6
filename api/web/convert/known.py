"""From both ways to a result to their shape."""

from __future__ import annotations

from analysis.interval import Interval
from analysis.methods import Quantity
from analysis.montecarlo import SecondRoute
from api.answers.known import Known
from api.web.convert import interval_out, outward
from api.web.shapes.known import KnownOut, SecondRouteOut


def known_out(found: Known) -> KnownOut:
    """How the results of a series are known."""
    return KnownOut(
        series=found.series.row.id,
        quantities={q: _route_out(q, route) for q, route in found.quantities.items()},
    )


def _route_out(quantity: Quantity, found: SecondRoute) -> SecondRouteOut:
    def out(value: float) -> float:
        return outward(value, quantity)

    budget, drawn = found.budget, found.drawn
    return SecondRouteOut(
        unit="mm" if quantity == "length" else "deg",
        mean=out(found.mean),
        standard_uncertainty=out(budget.combined),
        second_order_uncertainty=out(found.second_order_u),
        budget=interval_out(Interval.about(found.mean, budget.expanded), out),
        draws=drawn.draws,
        drawn_mean=out(drawn.mean),
        drawn_uncertainty=None if found.drawn_u is None else out(found.drawn_u),
        drawn=interval_out(drawn.interval, out),
        shortest=interval_out(drawn.shortest, out),
        validated=found.agreement.validated,
        interval=interval_out(found.interval, out),
        sentence=found.sentence,
    )
