"""Connections of HTTP/1.1, of which those with a live stream end when their reader takes nothing.

A page that the browser has put to sleep, or a program that is halted, keeps its connection and
reads nothing. What waits for it here is little, but it would keep its place among the readers, and
hold up the end of the program, for as long as it likes. It connects again by itself, and says what
it saw last.
"""

from __future__ import annotations

import asyncio
from typing import Final

from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

from api.web.live import PATH

PATIENCE_S: Final = 60.0
"""How long a live stream waits until its reader takes something."""

_AT_THE_END_S: Final = 0.5
_LONGEST_HEAD: Final = 65536


class Connection(HttpToolsProtocol):
    """A connection that is dropped where it has a live stream and its reader takes nothing for
    `PATIENCE_S`, or not the rest as the program ends."""

    _dropping: asyncio.TimerHandle | None = None
    # Bytes of a request's lines before its body; None while they are not awaited.
    _head: int | None = 0
    # Whether what came last holds the end of such lines, or of a body: what follows it there is
    # too little to count.
    _ended = False

    def data_received(self, data: bytes) -> None:
        self._ended = False
        super().data_received(data)
        if self._head is None or self._ended:
            return
        self._head += len(data)
        if self._head > _LONGEST_HEAD:
            self.send_400_response("The request's headers are too long.")

    def on_message_begin(self) -> None:
        self._head = 0
        super().on_message_begin()

    def on_headers_complete(self) -> None:
        self._head = None
        self._ended = True
        super().on_headers_complete()

    def on_message_complete(self) -> None:
        self._ended = True
        super().on_message_complete()

    def pause_writing(self) -> None:
        super().pause_writing()
        if self._is_live:
            self._dropping = self.loop.call_later(PATIENCE_S, self.transport.abort)

    def resume_writing(self) -> None:
        super().resume_writing()
        self._keep()

    def shutdown(self) -> None:
        super().shutdown()
        if self._is_live:
            self.loop.call_later(_AT_THE_END_S, self.transport.abort)

    def connection_lost(self, exc: Exception | None) -> None:
        self._keep()
        super().connection_lost(exc)

    @property
    def _is_live(self) -> bool:
        return bool(self.scope) and self.scope["path"] == PATH

    def _keep(self) -> None:
        if self._dropping is not None:
            self._dropping.cancel()
            self._dropping = None
