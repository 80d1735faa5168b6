"""What somebody who is not let in sees at the address of any page."""

from __future__ import annotations

from functools import cache

from starlette.responses import HTMLResponse

from api.web.pages.shared.rendering import alone


@cache
def _door(trouble: str) -> str:
    return alone("access/door.html", trouble=trouble)


def door(trouble: str = "") -> HTMLResponse:
    """The door, with status 401: without a name or a figure of the shop, and with `trouble`, a
    sentence about the server's own settings, where there is some."""
    return HTMLResponse(_door(trouble), status_code=401)
