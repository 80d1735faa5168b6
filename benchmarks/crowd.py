"""What a crowd before the server does to presses: a press at the saw until its event, committed,
while 1,000 requests are begun and never ended, beside one without them.

They come from this computer, which has no limit of connections: from another one all but 64 would
be turned away. Each that the server ends is begun again at once.
"""

from __future__ import annotations

import selectors
import socket
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from benchmarks.measuring import Measurement
from benchmarks.program import Told, presses
from tests.ptys import plugged
from tests.whole.serving import serving

_MANY = 1000
_HALF_A_HEAD = b"GET /api/machines HTTP/1.1\r\nHost: 127.0.0.1\r\n"


class Crowd:
    """Requests that are begun and never ended, as many as are wanted, for as long as it is open."""

    def __init__(self, url: str, many: int) -> None:
        where = urlsplit(url)
        self._where = (where.hostname, where.port)
        self._told = selectors.DefaultSelector()
        for _ in range(many):
            self._begin()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._begin_again)
        self._thread.start()

    def _begin(self) -> None:
        made = socket.create_connection(self._where, 30.0)
        made.sendall(_HALF_A_HEAD)
        self._told.register(made, selectors.EVENT_READ)

    def _begin_again(self) -> None:
        while not self._over.is_set():
            for key, _ in self._told.select(0.2):
                self._end(key.fileobj)  # it was answered: too late
                self._begin()

    def _end(self, one: Any) -> None:
        self._told.unregister(one)
        one.close()

    def close(self) -> None:
        self._over.set()
        self._thread.join()
        for key in list(self._told.get_map().values()):
            self._end(key.fileobj)
        self._told.close()


@contextmanager
def crowd(url: str, many: int = _MANY) -> Iterator[None]:
    made = Crowd(url, many)
    try:
        yield
    finally:
        made.close()


def measurements(short: bool) -> Iterator[Measurement]:
    count = 40 if short else 400
    with tempfile.TemporaryDirectory() as name, plugged() as port:
        options = ("--caliper", f"serial:{port.target},unit=mm")
        with serving(Path(name) / "shop", *options) as server:
            server.start_series()
            alone = partial(presses, port, Told(server, "score"), count)

            def before_a_crowd() -> list[float]:
                with crowd(server.url):
                    return alone()

            yield Measurement(
                f"a press while {_MANY:,} requests are half open",
                "ms",
                before_a_crowd,
                {"the same press alone": alone},
                tails=True,
            )
