"""The pages: the Bench page of each bench, and each method's guide."""

from __future__ import annotations

from typing import Final

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from markupsafe import Markup

from analysis.methods import METHODS, SAWING_CAUTIONS, Method, Side, steps_for
from api.pages import drawings
from api.pages.rendering import page

router = APIRouter(include_in_schema=False)

MACHINE_KINDS: Final = (
    "sliding compound miter saw",
    "radial arm saw",
    "table saw sled",
    "table saw",
    "planer",
    "other",
)

_SIDES: Final[tuple[Side, Side]] = ("left", "right")

# Said before the first cut, whatever a method's own list leaves out.
_RADIAL_ARM: Final = "A radial arm saw can climb toward you: hold it back all through the cut."
_ADJUSTING: Final = "Unplug the machine before you adjust anything on it."


def cautions_for(method: Method) -> tuple[str, ...]:
    """What must be read before the first cut: the method's cautions and the usual ones that
    it leaves out. The deferral to the machine's manual stays last. None where a method has
    none, because no machine is touched."""
    said = list(method.cautions)
    if not said:
        return ()
    missing = [] if any(caution.startswith("Unplug") for caution in said) else [_ADJUSTING]
    if set(SAWING_CAUTIONS) <= set(said) and _RADIAL_ARM not in said:
        missing.insert(0, _RADIAL_ARM)
    deferral = [caution for caution in said if caution == SAWING_CAUTIONS[-1]]
    return (*(caution for caution in said if caution not in deferral), *missing, *deferral)


@router.get("/")
def main_bench(request: Request) -> HTMLResponse:
    """The Bench page of bench `main`."""
    return bench(request, "main")


@router.get("/bench/{name}")
def bench(request: Request, name: str) -> HTMLResponse:
    """The Bench page of the bench called `name`, which comes into being when first named."""
    return page(
        request,
        "bench.html",
        part="bench",
        bench=name,
        methods=tuple(METHODS.values()),
        kinds=MACHINE_KINDS,
        sides={side: Markup(drawings.side_drawing(side)) for side in _SIDES},
        lean=Markup(drawings.lean_drawing()),
    )


@router.get("/guide/{key}")
def guide(request: Request, key: str, side: str = "left") -> HTMLResponse:
    """How a method is done, step by step, with the strip falling to `side` of the blade."""
    method = METHODS.get(key)
    if method is None or side not in _SIDES:
        return page(
            request,
            "missing.html",
            status=404,
            title="No such guide",
            message="There is no guide for this method and side. Choose one on the Bench page.",
        )
    steps = steps_for(method, side)
    return page(
        request,
        "guide.html",
        method=method,
        side=side,
        steps=[
            (step, Markup(drawings.step_drawing(steps, number, method)))
            for number, step in enumerate(steps)
        ],
        cautions=cautions_for(method),
        places=Markup(drawings.places_drawing(method)),
    )
