"""Pages from templates, compressed."""

from __future__ import annotations

import gzip
from typing import Final

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from api.answers.planned_strips import USUAL
from api.web.pages.shared import addresses, numbers
from api.web.pages.shared.said import said, said_parts
from api.web.pages.shared.static import PAGES, STATIC_ADDRESS
from api.web.pages.shared.trail import UNDO_OFFERED_S
from api.web.pages.shared.verdicts import VERDICT_MARKS
from api.web.visitors import visitor

_templates: Final = Environment(
    loader=FileSystemLoader(PAGES),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
_templates.globals |= {
    "static": STATIC_ADDRESS,
    "figures": numbers,
    "verdict_marks": VERDICT_MARKS,
    "bench_page": addresses.bench_page,
    "undo_offered_s": UNDO_OFFERED_S,
    "usual_strips": USUAL,
}
_templates.filters |= {"size": numbers.size, "with_u": numbers.with_uncertainty, "day": numbers.day}
_templates.filters |= {"said": said, "said_parts": said_parts}


def alone(template: str, **values: object) -> str:
    """`template` with `values` alone: nothing of the shop, the server or the request is asked."""
    return _templates.get_template(template).render(**values)


def page(request: Request, template: str, *, status: int = 200, **values: object) -> HTMLResponse:
    """The page of `template` with `values`; a missing value is an error, not a blank.

    Every page says how the daily backups stand, but to nobody who is not let in. `may` is the rung
    of who asks; None without access.
    A template marks the link of the part it belongs to by setting `part` ("compare").
    """
    may = visitor(request.scope).rung
    backup = request.app.state.server.backup() if may else None
    body = _templates.get_template(template).render(backup=backup, may=may, **values).encode()
    headers = {"Vary": "Accept-Encoding"}
    if "gzip" in request.headers.get("Accept-Encoding", ""):
        # Here, in the thread that renders, not in the event loop that all answers share: 0.6 ms
        # for the Bench page.
        body = gzip.compress(body, 6, mtime=0)
        headers["Content-Encoding"] = "gzip"
    return HTMLResponse(body, status_code=status, headers=headers)
