"""Asking a caliper for its reading, for those that send only when they are asked."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body
from pydantic import StringConstraints

from api.errors import Conflict, InvalidField, NotFound
from api.web.deps import TheServer
from api.web.shapes import BenchName, In, Out

router = APIRouter(prefix="/benches/{name}", tags=["benches"])


class AskIn(In):
    """Which caliper to ask; not needed where the bench has only one that can be asked."""

    caliper: Annotated[str, StringConstraints(min_length=1, max_length=64)] | None = None


class AskedOut(Out):
    bench: str
    caliper: str


@router.post("/ask", status_code=202)
def ask_caliper(
    name: BenchName, server: TheServer, body: Annotated[AskIn | None, Body()] = None
) -> AskedOut:
    """Send a caliper of mode=ask its request. Its answer comes like any reading.

    Without an answer it is asked once more; then the caliper's state says so.
    """
    there = {each.name: each.spec for each in server.listening.listened() if each.bench == name}
    askable = [each for each, spec in there.items() if spec.mode == "ask"]
    caliper = body.caliper if body else None
    if caliper is None:
        if not askable:
            raise Conflict(
                f"no caliper that can be asked is listened to here on bench {name}; describe one"
                " with mode=ask,request=TEXT, or press its own button"
            )
        if len(askable) > 1:
            raise InvalidField("caliper", f"several can be asked; name one of {', '.join(askable)}")
        caliper = askable[0]
    elif caliper not in there:
        raise NotFound(f"no caliper {caliper} is listened to here on bench {name}")
    elif caliper not in askable:
        raise Conflict(
            f"{caliper} sends by itself and can't be asked; press its button, or describe it with"
            " mode=ask,request=TEXT"
        )
    state = next(
        (s for s in server.instruments.states() if (s.bench, s.caliper) == (name, caliper)), None
    )
    if state is None:
        raise NotFound(f"no caliper {caliper} is listened to here on bench {name}")
    if state.state not in ("listening", "quiet"):
        # A request kept until it is back would bring a reading that nobody expects.
        raise Conflict(f"{caliper} can't be asked now, it is {state.state}: {state.message}")
    try:
        server.instruments.ask(caliper, name)
    except KeyError:  # forgotten this very moment
        raise NotFound(f"no caliper {caliper} is listened to here on bench {name}") from None
    return AskedOut(bench=name, caliper=caliper)
