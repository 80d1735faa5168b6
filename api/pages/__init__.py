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

    Below STATIC_ADDRESS they come from memory, and a browser keeps them for good: an update
    gives them another address, so that a page never runs one new module beside one old one.
    Elsewhere, and under the address of another version, it asks each time what changed.
    """

    def __init__(self) -> None:
        super().__init__(directory=STATIC)
        self._compressed = GZipMiddleware(super().__call__, minimum_size=500)
        self._lasting = {name: _lasting(name, body) for name, body in _FILES.items()}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        version, _, name = self.get_path(scope).rpartition("/")
        if version.startswith("v-"):
            asked = Headers(scope=scope).get("Accept-Encoding", "")
            if version == _VERSIONED and name in self._lasting and "gzip" in asked:
                await self._lasting[name](scope, receive, send)
                return
            scope = {**scope, "path": f"{scope.get('root_path', '')}/{name}"}
        await self._compressed(scope, receive, send)

    async def get_response(self, path: str, scope: Scope) -> Response:
        response = await super().get_response(path, scope)
        response.headers["Cache-Control"] = "no-cache"
        response.headers["X-Content-Type-Options"] = "nosniff"
        return response


def _lasting(name: str, body: bytes) -> Response:
    headers = {
        "Cache-Control": "public, max-age=31536000, immutable",
        "Content-Encoding": "gzip",
        "Vary": "Accept-Encoding",
        "X-Content-Type-Options": "nosniff",
    }
    kind = mimetypes.guess_type(name)[0]
    return Response(gzip.compress(body, 9, mtime=0), media_type=kind, headers=headers)
