"""Plan: what it takes to see an error."""

from __future__ import annotations

from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Query

from analysis.units import Unit
from api.answers import plan as answers
from api.answers.settings import FEWEST_PIECES, MOST_PIECES
from api.web.asked.plan import asked_for
from api.web.contract import may
from api.web.convert.plan import plan_out
from api.web.deps import TheServer, TheStore
from api.web.shapes.plan import PlanOut

router = APIRouter(tags=["plan"])

_Length = Annotated[str | None, Query(max_length=40)]
_Risk = Annotated[float, Query(ge=0.0001, le=0.5)]


@router.get("/plan", responses=may(404))
def plan_series(
    server: TheServer,
    store: TheStore,
    error_deg: Annotated[
        float | None, Query(description="the error to see; or give gap and joint")
    ] = None,
    gap: Annotated[_Length, Query(description="a gap at one end of a joint, in `unit`")] = None,
    joint: Annotated[_Length, Query(description="the length of that joint")] = None,
    method: str = "reversal",
    width: Annotated[
        _Length, Query(description="of the board; its thickness, or the joint, by method")
    ] = None,
    unit: Unit = "mm",
    inset: Annotated[str, Query(max_length=40)] = "0",
    pieces: Annotated[int | None, Query(ge=FEWEST_PIECES, le=MOST_PIECES)] = None,
    cuts: Annotated[int, Query(ge=2, le=200)] = 5,
    resolution: Annotated[_Length, Query(description="the caliper's last digit")] = None,
    reading_sd: Annotated[
        _Length, Query(description="how well one reading repeats, standard deviation")
    ] = None,
    own_sd_deg: Annotated[
        float | None, Query(ge=0, le=45, description="the machine's own scatter, of single cuts")
    ] = None,
    series: Annotated[
        UUID | None, Query(description="a series that shows the machine's own scatter")
    ] = None,
    alpha: Annotated[_Risk, Query(description="risk of an error seen that is not there")] = 0.05,
    beta: Annotated[_Risk, Query(description="risk of missing one that is")] = 0.1,
    two_series: Annotated[
        bool, Query(description="a difference between 2 machines instead of an error")
    ] = False,
) -> PlanOut:
    """How many cuts, how wide a board, how fine a caliper; and a table of what can be seen."""
    asked = asked_for(
        store,
        server.methods,
        error_deg=error_deg,
        gap=gap,
        joint=joint,
        method=method,
        width=width,
        unit=unit,
        inset=inset,
        pieces=pieces,
        cuts=cuts,
        resolution=resolution,
        reading_sd=reading_sd,
        own_sd_deg=own_sd_deg,
        series=series,
        alpha=alpha,
        beta=beta,
        two_series=two_series,
    )
    return plan_out(answers.plan(asked))
