"""The pages a person reads at the bench: templates, drawings, styles and modules.

Everything a page needs comes from this folder, so it works with no network beyond the
bench itself, and under a content security policy that allows nothing inline.
"""

from __future__ import annotations

import gzip
import hashlib
import mimetypes
from pathlib import Path
from typing import Final

from starlette.datastructures import Headers
from starlette.middleware.gzip import GZipMiddleware
from starlette.responses import Response
from starlette.staticfiles import StaticFiles
from starlette.types import Receive, Scope, Send

_HERE: Final = Path(__file__).parent
TEMPLATES: Final = _HERE / "templates"
STATIC: Final = _HERE / "static"


_FILES: Final = {f.name: f.read_bytes() for f in sorted(STATIC.iterdir()) if f.is_file()}
# What every page needs, in one answer: a browser asks for six files at a time.
_BASE: Final = ("tokens.css", "page.css", "drawings.css", "navigation.css")
_FILES["base.css"] = b"\n".join(_FILES[name] for name in _BASE)
_VERSION: Final = hashlib.sha256(repr(sorted(_FILES.items())).encode()).hexdigest()[:12]
_VERSIONED: Final = f"v-{_VERSION}"
STATIC_ADDRESS: Final = f"/static/{_VERSIONED}"
"""Where a page asks for static files, so that the browser need never ask again."""

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

    Below STATIC_ADDRESS a browser keeps them for good: an update gives them another address, so
    that a page never runs one new module beside one old one. Elsewhere, and under the address
    of another version, it asks each time what changed.
    """

    def __init__(self) -> None:
        super().__init__(directory=STATIC)
        self._compressed = GZipMiddleware(super().__call__, minimum_size=500)
        self._kept = {
            (name, gzipped, lasting): _answer(name, body, gzipped=gzipped, lasting=lasting)
            for name, body in _FILES.items()
            for gzipped in (True, False)
            for lasting in (True, False)
        }

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        version, _, name = self.get_path(scope).rpartition("/")
        gzipped = "gzip" in Headers(scope=scope).get("Accept-Encoding", "")
        kept = self._kept.get((name, gzipped, version == _VERSIONED))
        if version.startswith("v-") and kept is not None:
            await kept(scope, receive, send)
        else:
            await self._compressed(scope, receive, send)

    async def get_response(self, path: str, scope: Scope) -> Response:
        response = await super().get_response(path, scope)
        response.headers["Cache-Control"] = "no-cache"
        response.headers["X-Content-Type-Options"] = "nosniff"
        return response


def _answer(name: str, body: bytes, *, gzipped: bool, lasting: bool) -> Response:
    headers = {
        "Cache-Control": "public, max-age=31536000, immutable" if lasting else "no-cache",
        "Vary": "Accept-Encoding",
        "X-Content-Type-Options": "nosniff",
    }
    if gzipped:
        headers["Content-Encoding"] = "gzip"
        body = gzip.compress(body, 9, mtime=0)
    return Response(body, media_type=mimetypes.guess_type(name)[0], headers=headers)
