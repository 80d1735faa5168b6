"""The address at which a phone reaches this server, and its QR code."""

from __future__ import annotations

from functools import lru_cache
from io import BytesIO
from typing import Literal

from starlette.requests import Request

from api.addresses import anywhere, lan_host, loopback


def address(request: Request, listens_on: str, path: str) -> str | None:
    """Where another device on the network opens the page at `path`; None where it can't.

    The address that the request came to, if another device can reach that; else, of a server
    that listens beyond its own computer, the computer's own address on the network.
    """
    base = str(request.base_url).rstrip("/")
    came_to = request.base_url.hostname or ""
    if loopback(came_to) or anywhere(came_to):
        host = None if loopback(listens_on) else lan_host()
        if host is None:
            return None
        base = f"{request.url.scheme}://{host}:{request.scope['server'][1]}"
    return base + path


@lru_cache(maxsize=16)
def code(text: str, bears: Literal["l", "q"] = "l") -> bytes:
    """The QR code (ISO/IEC 18004) of `text` as an SVG document, dark on light with its quiet
    zone of four modules, in light and dark pages alike: not every phone reads light on dark.

    bears: how much may be dirty or torn: 7 % (which holds the longest text) or 25 %.
    """
    import segno  # here, since few ask for the picture

    picture = BytesIO()
    segno.make(text, micro=False, error=bears).save(
        picture, kind="svg", border=4, dark="#000", light="#fff", omitsize=True, xmldecl=False
    )
    return picture.getvalue()
