"""The pages a person reads at the bench: templates, drawings, styles and modules.

Everything a page needs comes from this folder, so it works with no network beyond the
bench itself, and under a content security policy that allows nothing inline.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

from starlette.middleware.gzip import GZipMiddleware
from starlette.responses import Response
from starlette.staticfiles import StaticFiles
from starlette.types import Receive, Scope, Send

_HERE: Final = Path(__file__).parent
TEMPLATES: Final = _HERE / "templates"
STATIC: Final = _HERE / "static"

# The page loads from its own server only: no inline script or style, no frame around it.
SECURITY_HEADERS: Final = {
    "Content-Security-Policy": (
        "default-src 'self'; base-uri 'none'; form-action 'self'; "
        "frame-ancestors 'none'; object-src 'none'"
    ),
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}


class StaticPages(StaticFiles):
    """The files under `static`, to be mounted at /static; sent compressed.

    A browser may keep them but asks each time whether they changed: after an update the
    page must never run one new module beside one old one.
    """

    def __init__(self) -> None:
        super().__init__(directory=STATIC)
        self._compressed = GZipMiddleware(super().__call__, minimum_size=500)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await self._compressed(scope, receive, send)

    async def get_response(self, path: str, scope: Scope) -> Response:
        response = await super().get_response(path, scope)
        response.headers["Cache-Control"] = "no-cache"
        response.headers["X-Content-Type-Options"] = "nosniff"
        return response
