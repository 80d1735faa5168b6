"""The application of this process, asked as a server elsewhere is."""

from __future__ import annotations

import httpx2
from anyio.from_thread import start_blocking_portal
from fastapi import FastAPI


class InProcess(httpx2.BaseTransport):
    """Carries the requests of a client to an application in this process."""

    def __init__(self, application: FastAPI) -> None:
        self._to = httpx2.ASGITransport(application, raise_app_exceptions=False)

    def handle_request(self, request: httpx2.Request) -> httpx2.Response:
        # A thread of its own: the caller's may have an event loop already.
        with start_blocking_portal() as portal:
            return portal.call(self._ask, request)

    async def _ask(self, request: httpx2.Request) -> httpx2.Response:
        answer = await self._to.handle_async_request(request)
        body = await answer.aread()
        return httpx2.Response(
            answer.status_code, headers=answer.headers, stream=httpx2.ByteStream(body)
        )
