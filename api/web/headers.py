"""What every answer tells a browser it may do with it, whichever part of the program answers.

A page takes scripts, styles and pictures from this server alone, nothing that stands in the page
itself, and no text as HTML but by the one way that the scripts have for it. No other answer is a
page, whatever it holds. No other site frames, embeds or opens any of them with a hold on it.
"""

from __future__ import annotations

from typing import Final

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.addresses import loopback

Header = tuple[bytes, bytes]

# Content Security Policy Level 3; Trusted Types for what scripts could take for HTML.
_PAGE_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self';"
    " form-action 'self'; base-uri 'none'; frame-ancestors 'none';"
    " require-trusted-types-for 'script'; trusted-types own-pages"
)
# A page needs no more than the screen kept awake and sounds, which are its own unless refused.
_NOT_USED: Final = "camera geolocation hid microphone midi payment serial usb"

_ALWAYS: Final[tuple[Header, ...]] = (
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
)
_OF_A_PAGE: Final[tuple[Header, ...]] = (
    *_ALWAYS,
    (b"content-security-policy", _PAGE_POLICY.encode()),
    (b"permissions-policy", ", ".join(f"{each}=()" for each in _NOT_USED.split()).encode()),
)
# Where the address is one that a browser trusts; over plain HTTP from another computer it would
# complain of this one, which it then ignores.
_OF_A_TRUSTED_PAGE: Final[tuple[Header, ...]] = (
    *_OF_A_PAGE,
    (b"cross-origin-opener-policy", b"same-origin"),
)
_OF_DATA: Final[tuple[Header, ...]] = (
    *_ALWAYS,
    (b"content-security-policy", b"default-src 'none'; frame-ancestors 'none'"),
)

# A browser may keep what its person was shown, if it asks each time whether it still holds; nothing
# in between keeps it.
_KEPT: Final = (b"cache-control", b"private, no-cache")
# Codes and tokens, and what is said to somebody without access, are not kept at all.
_NOT_KEPT: Final = (b"cache-control", b"no-store")
OF_NO_REQUEST: Final = (*_OF_DATA, _NOT_KEPT)
"""For an answer to what never became a request, which reaches no application."""

_SECRETS: Final = "/api/access"
_WITHOUT_ACCESS: Final = (401, 403)


class SafeAnswers:
    """Gives every answer of `app` its headers: those of a page or of data, and how long it is kept
    where the answer itself does not say so."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_safely(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = list(message.get("headers", ()))
                message = {**message, "headers": _safe(scope, message["status"], headers)}
            await send(message)

        await self._app(scope, receive, send_safely)


def _safe(scope: Scope, status: int, said: list[Header]) -> list[Header]:
    """The headers of an answer with what it does not say itself."""
    by_name = dict(said)
    if not by_name.get(b"content-type", b"").startswith(b"text/html"):
        more = _OF_DATA
    else:
        more = _OF_A_TRUSTED_PAGE if _trusted(scope) else _OF_A_PAGE
    if b"set-cookie" in by_name:
        # Also where it comes with a file that anybody may keep.
        return [*(each for each in said if each[0] != b"cache-control"), *more, _NOT_KEPT]
    if b"cache-control" in by_name:
        return [*said, *more]
    secret = status in _WITHOUT_ACCESS or scope["path"].startswith(_SECRETS)
    return [*said, *more, _NOT_KEPT if secret else _KEPT]


def _trusted(scope: Scope) -> bool:
    """Whether a browser takes the address for trustworthy (W3C Secure Contexts, 3.1)."""
    peer = scope.get("client")
    return scope["scheme"] == "https" or (peer is not None and loopback(peer[0]))
