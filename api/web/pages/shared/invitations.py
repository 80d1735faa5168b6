"""What may be said of a device that is invited, and of one that is let in."""

from __future__ import annotations

from typing import Final

from starlette.requests import Request

from api.access.rungs import RUNGS, Rung, RungName
from api.web.visitors import visitor

WORDS: Final[dict[RungName, str]] = {
    "read": "look",
    "press": "look, and send readings",
    "run": "measure, record and correct",
    "admin": "do everything, also let others in",
}
"""What each rung lets a device do, after "it may"."""


def offered(request: Request) -> dict[str, str]:
    """The rungs that who asks can give to a device, with their words; none where they may invite
    nobody."""
    own = visitor(request.scope).rung
    if own is None or own < Rung.RUN:
        return {}
    return {rung.word: WORDS[rung.word] for rung in RUNGS.values() if rung <= own}
