"""What may be said of a device that is invited."""

from __future__ import annotations

from starlette.requests import Request

from api.access.rungs import MAY, RUNGS, Rung
from api.web.visitors import visitor


def offered(request: Request) -> dict[str, str]:
    """The rungs that who asks can give to a device, with their words; none where they may invite
    nobody."""
    own = visitor(request.scope).rung
    if own is None or own < Rung.RUN:
        return {}
    return {rung.word: MAY[rung.word] for rung in RUNGS.values() if rung <= own}
