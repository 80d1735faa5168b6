"""The HTTP client with which this program asks another server."""

from __future__ import annotations

import ssl

import httpx2

from api import VERSION


def client(
    *,
    timeout: float,
    proxy: str | None = None,
    follow_redirects: bool = False,
    transport: httpx2.BaseTransport | None = None,
) -> httpx2.Client:
    """A client that uses the system's trusted certificates, and no environment variables.

    transport: to a server in this process.
    """
    return httpx2.Client(
        headers={"User-Agent": f"bothends/{VERSION}", "Accept-Encoding": "identity"},
        verify=ssl.create_default_context(),
        timeout=timeout,
        proxy=proxy,
        follow_redirects=follow_redirects,
        trust_env=False,
        transport=transport,
    )
