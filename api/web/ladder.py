"""What each operation needs: a rung of the ladder, or nothing.

Each that changes something is named, so that whoever makes a new one decides; a test fails for one
that is not. What only reads needs `read` where nothing else is said. So none is open by oversight.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from starlette.routing import compile_path

from api.access.rungs import Rung
from api.web.verbs import READING

OPEN: Final = (
    ("GET", "/api/health"),
    ("GET", "/api/access/me"),
    ("POST", "/api/access/join"),
    ("POST", "/api/access/leave"),
    ("GET", "/static/{file:path}"),
)
"""What needs nothing: whether the server lives, how one gets in and out, and the program's own
files, which are everybody's."""

_PRESS: Final = (
    ("POST", "/api/readings"),
    ("POST", "/api/refusals"),
    ("POST", "/api/benches/{name}/calipers"),
    ("POST", "/api/benches/{name}/keys"),
    ("POST", "/api/benches/{name}/ask"),
    ("POST", "/api/benches/{name}/take-back"),
    ("POST", "/api/benches/{name}/restore"),
    ("POST", "/api/benches/{name}/swap-ends"),
    ("POST", "/api/benches/{name}/pretend-press"),
)
_RUN: Final = (
    ("POST", "/api/series"),
    ("PATCH", "/api/series/{id}"),
    ("POST", "/api/series/{id}/finish"),
    ("POST", "/api/series/{id}/resume"),
    ("POST", "/api/series/{id}/again"),
    ("POST", "/api/series/{id}/trials/{number}/swap-ends"),
    ("POST", "/api/series/{id}/trials/{number}/leave-out"),
    ("POST", "/api/series/{id}/trials/{number}/count-again"),
    ("POST", "/api/series/{id}/trials/{number}/away"),
    ("POST", "/api/series/{id}/trials/{number}/stayed"),
    ("POST", "/api/series/{id}/trials/{number}/move"),
    ("POST", "/api/readings/{id}/take-back"),
    ("POST", "/api/readings/{id}/restore"),
    ("POST", "/api/changes/{id}/undo"),
    ("POST", "/api/benches/{name}/away"),
    ("POST", "/api/benches/{name}/stayed"),
    ("POST", "/api/machines"),
    ("PATCH", "/api/machines/{id}"),
    ("POST", "/api/machines/{id}/merge"),
    ("POST", "/api/setup-changes"),
    ("PATCH", "/api/setup-changes/{id}"),
    ("POST", "/api/stops"),
    ("PATCH", "/api/stops/{id}"),
    ("POST", "/api/works"),
    ("PATCH", "/api/works/{id}"),
    ("POST", "/api/set-up"),
    ("POST", "/api/load"),
    ("POST", "/api/calipers/{name:path}/studies"),
    ("POST", "/api/rules/seen"),
    ("POST", "/api/access/invitations"),
)
_ADMIN: Final = (
    ("POST", "/api/calipers"),
    ("PATCH", "/api/calipers/{name:path}"),
    ("DELETE", "/api/calipers/{name:path}"),
    ("GET", "/api/identify"),
    ("POST", "/api/identify"),
    ("POST", "/api/identify/{step}"),
    ("DELETE", "/api/identify"),
    ("PATCH", "/api/people/{person_id}"),
    ("GET", "/api/access"),
    ("DELETE", "/api/access/{id}"),
)


NAMED: Final[dict[Rung | None, tuple[tuple[str, str], ...]]] = {
    None: OPEN,
    Rung.PRESS: _PRESS,
    Rung.RUN: _RUN,
    Rung.ADMIN: _ADMIN,
}
"""The methods and paths that each rung is enough for."""


@dataclass(frozen=True, slots=True)
class Need:
    """rung: None: nothing is needed. bench: the one that the address names, where it does and a
    pass may be kept to some."""

    rung: Rung | None
    bench: str | None = None


def _compiled() -> dict[str, list[tuple[re.Pattern[str], Rung | None]]]:
    """The patterns of the paths, by method."""
    found: dict[str, list[tuple[re.Pattern[str], Rung | None]]] = {}
    for rung, operations in NAMED.items():
        for method, path in operations:
            found.setdefault(method, []).append((compile_path(path)[0], rung))
    return found


_COMPILED: Final = _compiled()


def need(method: str, path: str) -> Need:
    """What a request with this method to this path needs."""
    asked = "GET" if method in READING else method
    for pattern, rung in _COMPILED.get(asked, ()):
        if found := pattern.match(path):
            bench = found.groupdict().get("name") if rung is Rung.PRESS else None
            return Need(rung, bench)
    # Where nothing is served, who may run is told so.
    return Need(Rung.READ if asked == "GET" else Rung.RUN)
