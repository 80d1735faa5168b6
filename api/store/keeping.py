"""Readings of requests on their way into the store: those that arrive while it commits are kept
together in its next transaction.

So a commit, which waits for the disk, is shared by all who wait, and benches that press at the same
moment do not queue for one each.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from contextlib import suppress
from queue import Empty, SimpleQueue
from typing import Final, NamedTuple

from api.store.authors import NOBODY, Author
from api.store.journal import Acknowledgement, Handed
from capture.records import Reading

KeepEach = Callable[[Sequence[Handed]], list[Acknowledgement | Exception]]
"""As `store.journal.Journal.keep_each`."""

_MOST_TOGETHER: Final = 64
"""Requests: the first of them waits for the last."""


class _Asked(NamedTuple):
    handed: Handed
    answer: Future[Acknowledgement]


class Keeping:
    """Keeps what requests hand over, in the order in which they ask, in a thread of its own."""

    def __init__(self, keep_each: KeepEach) -> None:
        self._keep_each = keep_each
        self._queue: SimpleQueue[_Asked | None] = SimpleQueue()
        self._thread: threading.Thread | None = None
        self._lock = threading.Lock()

    def keep(self, readings: Sequence[Reading], by: Author = NOBODY) -> Future[Acknowledgement]:
        """What `Journal.keep` returns or raises, once it is committed."""
        asked = _Asked(Handed(readings, by), Future())
        with self._lock:
            if self._thread is None:
                # A daemon: a database that does not answer must not hold up the program's end.
                self._thread = threading.Thread(target=self._run, name="keeping", daemon=True)
                self._thread.start()
            self._queue.put(asked)
        return asked.answer

    def close(self) -> None:
        """End the thread once all that was asked is done; does not wait for it."""
        with self._lock:
            if self._thread is not None:
                self._thread = None
                self._queue.put(None)

    def _run(self) -> None:
        going = True
        while going:
            found = [self._queue.get()]
            with suppress(Empty):
                while len(found) < _MOST_TOGETHER:
                    found.append(self._queue.get_nowait())
            going = None not in found
            asked = [each for each in found if each is not None]
            # It is kept also where who asked has gone.
            told = [each.answer.set_running_or_notify_cancel() for each in asked]
            done = self._keep_each([each.handed for each in asked]) if asked else []
            for each, waits, outcome in zip(asked, told, done, strict=True):
                if not waits:
                    continue
                if isinstance(outcome, Exception):
                    each.answer.set_exception(outcome)
                else:
                    each.answer.set_result(outcome)
