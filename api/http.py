"""The HTTP client with which this program asks another server, and the token that lets it in."""

from __future__ import annotations

import ssl
from collections.abc import Callable, Generator
from typing import Final

import httpx2

from api import VERSION
from api.certificates import OtherCertificate, known_by

Token = Callable[[], str | None]
"""The token to ask a server with, None for none. Raises TokenError."""


class TokenError(Exception):
    """The token can't be read; the message says what to do, and holds none of it."""


def no_token() -> None:
    """For a server that is asked without."""
    return


def client(
    *,
    timeout: float,
    token: Token = no_token,
    fingerprint: str | None = None,
    proxy: str | None = None,
    follow_redirects: bool = False,
    transport: httpx2.BaseTransport | None = None,
) -> httpx2.Client:
    """A client that uses no environment variables. It trusts the certificates that the system
    does, or where a fingerprint is given, that one alone (`certificates.known_by`).

    token: asked for with each request, so that one that is mended while the program runs is taken;
    what it raises, the request raises. It goes to the server that the request names, and not where
    that redirects to, but for the same name by https. transport: to a server in this process.
    """
    return httpx2.Client(
        headers={"User-Agent": f"bothends/{VERSION}", "Accept-Encoding": "identity"},
        auth=_Bearer(token),
        verify=ssl.create_default_context() if fingerprint is None else known_by(fingerprint),
        timeout=timeout,
        proxy=proxy,
        follow_redirects=follow_redirects,
        trust_env=False,
        transport=transport,
    )


class _Bearer(httpx2.Auth):
    """RFC 6750, section 2.1. The library drops the header where a redirection leads elsewhere."""

    def __init__(self, token: Token) -> None:
        self._token = token

    def auth_flow(
        self, request: httpx2.Request
    ) -> Generator[httpx2.Request, httpx2.Response, None]:
        token = self._token()
        if token is not None:
            request.headers["Authorization"] = f"Bearer {token}"
        yield request


def wait_s(response: httpx2.Response) -> float:
    """How long a server that was asked too much says to wait (RFC 9110, 10.2.3), in s; 0 where
    `response` says nothing of it."""
    said = response.headers.get("Retry-After", "")
    plain = said.isascii() and said.isdigit() and len(said) < 10
    return float(said) if plain and response.status_code in (429, 503) else 0.0


def why_not_asked(error: BaseException | None) -> str | None:
    """What to do where a request failed since the server's certificate is not the right one, or
    since one side speaks http and the other https, as a clause without a full stop; None where it
    failed otherwise."""
    # A server of https that is spoken to in http ends the connection without a word; where it has
    # not read all of that, the system calls it a reset.
    if isinstance(error, httpx2.ReadError) or (
        isinstance(error, httpx2.RemoteProtocolError) and "without sending a response" in str(error)
    ):
        said = f"{error}".rstrip(".")
        plain = error.request.url.scheme == "http"
        return f"{said}; if it speaks https, give its address with https://" if plain else None
    while error is not None:
        if isinstance(error, OtherCertificate):
            return str(error)
        if isinstance(error, ssl.SSLCertVerificationError):
            return (
                f"its certificate is not trusted here: {error.verify_message.rstrip('.')}; if it is"
                " the server's own, run there: bothends access certificate, and give what it shows"
                " with --fingerprint"
            )
        if isinstance(error, ssl.SSLError) and error.reason in _NO_TLS:
            return "it does not speak https; give its address with http://"
        error = error.__cause__ or error.__context__
    return None


# As OpenSSL calls an answer that is no record of TLS.
_NO_TLS: Final = ("WRONG_VERSION_NUMBER", "HTTP_REQUEST", "PACKET_LENGTH_TOO_LONG")


def not_let_in(server: str, response: httpx2.Response, detail: str, may: str) -> str:
    """What to do where `server` answers 401 or 403, as a clause without a full stop.

    detail: what it says, which of a 401 speaks to people with a browser too. may: the options of
    `bothends token add` for what is asked of it.
    """
    sent = "Authorization" in response.request.headers
    if not sent and response.history and "Authorization" in response.history[0].request.headers:
        there = response.url.copy_with(raw_path=b"/")
        return f"{server} sends on to {there}, where the token is not sent; give that address"
    made = f"bothends token add NAME {may}"
    if response.status_code == 403:
        return f"{server} answers: {detail}; a token that may is made on its computer: {made}"
    if sent:
        return (
            f"{server} does not take this token: it was revoked, or is not whole; on its computer"
            f" bothends token list shows those there are, and {made} makes one"
        )
    return (
        f"{server} lets in nobody without a token; run on its computer: {made}; put"
        " what it prints into a file that only you may read, and name it with --token-file"
    )
