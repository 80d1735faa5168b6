"""Styles, scripts and pictures of the pages, as a browser asks for them.

All that a page needs comes from this program, so that it works without any other network, under
a content security policy that allows nothing inline.
"""

from __future__ import annotations

import gzip
import hashlib
import mimetypes
import re
from copy import copy
from pathlib import Path
from typing import Final

from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from api.web.pages.shared.together import together

PAGES: Final = Path(__file__).parents[1]
"""The folder of all pages: each in a folder of its own, beside what they share."""

_KINDS: Final = (".css", ".js", ".svg")
# Comments that have their lines to themselves: a fifth of what a phone would wait for.
_SCRIPT_COMMENTS: Final = re.compile(
    r"^[ \t]*(?://.*|/\*\*(?:(?!\*/)[\s\S])*\*/[ \t]*)$", re.MULTILINE
)
_STYLE_COMMENTS: Final = re.compile(r"/\*(?:(?!\*/)[\s\S])*\*/")


def _sent(file: Path) -> bytes:
    """What is sent of a file: all but the comments of a script or style, whose lines stay, empty,
    so that an error is still found by its line."""
    if file.suffix == ".js":
        return _SCRIPT_COMMENTS.sub(_lines, file.read_text("utf-8")).encode()
    if file.suffix == ".css":
        return _STYLE_COMMENTS.sub(_lines, file.read_text("utf-8")).encode()
    return file.read_bytes()


def _lines(comment: re.Match[str]) -> str:
    return "\n" * comment[0].count("\n")


_FILES: Final = {
    file.relative_to(PAGES).as_posix(): _sent(file)
    for file in sorted(PAGES.rglob("*"))
    if file.suffix in _KINDS
}
# What every page needs, and the Bench, in one answer each: a browser asks for six files at a time.
_TOGETHER: Final = {
    "base.css": [
        f"shared/{name}.css" for name in ("tokens", "page", "drawings", "move", "navigation")
    ],
    "bench.css": [
        *(f"bench/{name}.css" for name in ("page", "setup", "measuring", "finished")),
        "shared/invitation.css",
    ],
}
for _name, _parts in _TOGETHER.items():
    _FILES[_name] = b"\n".join(_FILES[part] for part in _parts)
_FILES["bench.js"] = together(
    "bench/page.js",
    {name: body.decode() for name, body in _FILES.items() if name.endswith(".js")},
).encode()
_VERSION: Final = hashlib.sha256(repr(sorted(_FILES.items())).encode()).hexdigest()[:12]
_VERSIONED: Final = f"v-{_VERSION}"
STATIC_ADDRESS: Final = f"/static/{_VERSIONED}"
"""Under this address the browser keeps a static file and need not ask for it again."""


def _answer(name: str, body: bytes, *, gzipped: bool, lasting: bool) -> Response:
    headers = {
        "Cache-Control": "public, max-age=31536000, immutable" if lasting else "no-cache",
        "Vary": "Accept-Encoding",
    }
    if gzipped:
        headers["Content-Encoding"] = "gzip"
    return Response(body, media_type=mimetypes.guess_type(name)[0], headers=headers)


_ANSWERS: Final = {
    (name, gzipped, lasting): _answer(name, sent, gzipped=gzipped, lasting=lasting)
    for name, body in _FILES.items()
    for gzipped, sent in ((True, gzip.compress(body, 9, mtime=0)), (False, body))
    for lasting in (True, False)
}


class StaticPages:
    """The pages' files, to be mounted at /static; kept in memory, compressed once.

    Under STATIC_ADDRESS a browser keeps them: a new version of the program has another address, so
    that a page never mixes new and old modules. Elsewhere, and under the address of another
    version, the browser asks each time.
    """

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["method"] not in ("GET", "HEAD"):
            raise HTTPException(405)
        path = scope["path"].removeprefix(scope.get("root_path", "")).lstrip("/")
        version, _, rest = path.partition("/")
        name = rest if version.startswith("v-") else path
        gzipped = "gzip" in Headers(scope=scope).get("Accept-Encoding", "")
        answer = _ANSWERS.get((name, gzipped, version == _VERSIONED))
        if answer is None:
            raise HTTPException(404)
        sent = copy(answer)
        # What stands between adds to the headers of an answer, and would again each time.
        sent.raw_headers = list(answer.raw_headers)
        await sent(scope, receive, send)
