"""What each operation needs: a rung of the ladder, or nothing.

What is not named here needs `read` where it only reads, and `run` where it changes something: so
one that is new is never open by oversight.
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
    Rung.ADMIN: _ADMIN,
}
"""The methods and paths that need something else than what is not named."""


@dataclass(frozen=True, slots=True)
class Need:
    """rung: None: nothing is needed. bench: the one that the address names, where it does and a
    pass may be kept to some."""

    rung: Rung | None
    bench: str | None = None


_Named = tuple[str, re.Pattern[str], Rung | None]


def _compiled() -> list[_Named]:
    return [
        (method, compile_path(path)[0], rung)
        for rung, operations in NAMED.items()
        for method, path in operations
    ]


_COMPILED: Final = _compiled()


def need(method: str, path: str) -> Need:
    """What a request with this method to this path needs."""
    asked = "GET" if method in READING else method
    for named, pattern, rung in _COMPILED:
        if named == asked and (found := pattern.match(path)):
            bench = found.groupdict().get("name") if rung is Rung.PRESS else None
            return Need(rung, bench)
    return Need(Rung.READ if asked == "GET" else Rung.RUN)
