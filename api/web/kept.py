"""Answers as they were sent, kept until what they rest on changes.

Whatever changes a series, its trials or the studies of its calipers makes an event, so the number
of the store's latest event says whether an answer still holds, whichever process wrote.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Final
from uuid import UUID

from sqlalchemy import Connection

from api.answers import series
from api.store.rows.events import last_event_id
from api.web import convert

_MOST_BYTES: Final = 8_000_000


class KeptAnswers:
    """The latest answers, at most some megabytes of them. Safe to call from any thread."""

    def __init__(self, most_bytes: int = _MOST_BYTES) -> None:
        self._most_bytes = most_bytes
        self._lock = threading.Lock()
        self._kept: OrderedDict[Hashable, tuple[int, bytes]] = OrderedDict()
        self._bytes = 0

    def get(self, connection: Connection, asked: Hashable, answer: Callable[[], bytes]) -> bytes:
        """The answer to `asked`: the kept one if nothing has happened since, else a new one.

        `answer` reads from `connection`.
        """
        # Before answering: an answer may be newer than its number says, and never older.
        number = last_event_id(connection)
        with self._lock:
            known = self._kept.get(asked)
            if known is not None and known[0] == number:
                self._kept.move_to_end(asked)
                return known[1]
        made = answer()
        with self._lock:
            self._forget(asked)
            if len(made) > self._most_bytes:
                return made
            self._kept[asked] = (number, made)
            self._bytes += len(made)
            while self._bytes > self._most_bytes:
                self._forget(next(iter(self._kept)))
        return made

    def _forget(self, asked: Hashable) -> None:
        known = self._kept.pop(asked, None)
        if known is not None:
            self._bytes -= len(known[1])


def series_body(store: Connection, kept: KeptAnswers, series_id: UUID) -> bytes:
    """A series as it is sent. Raises NotFound where there is none."""

    def answer() -> bytes:
        return convert.series_out(series.series(store, series_id)).model_dump_json().encode()

    return kept.get(store, series_id, answer)
