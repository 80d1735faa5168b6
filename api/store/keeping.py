"""Readings of requests on their way into the store: those that arrive while it commits are kept
together in its next transaction.

So a commit, which waits for the disk, is shared by all who wait, and benches that press at the same
moment do not queue for one each. A request with very many readings is kept in parts, and between
two of them the others have their turn: so nobody's press waits for thousands of somebody else's.
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


_MOST_READINGS: Final = 250
"""Of them all, and of a part: more than a bench elsewhere hands over together."""


class _Asked(NamedTuple):
    """done: what became of the parts before these readings."""

    handed: Handed
    answer: Future[Acknowledgement]
    done: Acknowledgement | None = None


class Keeping:
    """Keeps what requests hand over, in the order in which they ask, in a thread of its own."""

    def __init__(self, keep_each: KeepEach) -> None:
        self._keep_each = keep_each
        self._queue: SimpleQueue[_Asked | None] = SimpleQueue()
        self._thread: threading.Thread | None = None
        self._lock = threading.Lock()

    def keep(self, readings: Sequence[Reading], by: Author = NOBODY) -> Future[Acknowledgement]:
        """What `Journal.keep` returns or raises, once it is committed. Of more than 250 readings
        some may be stored where it raises, and nothing is asked about those before the last."""
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
        # At the end, what is left of a request that was begun is kept too.
        while going or not self._queue.empty():
            found = [self._queue.get()]
            with suppress(Empty):
                while len(found) < _MOST_TOGETHER and _readings_of(found) < _MOST_READINGS:
                    found.append(self._queue.get_nowait())
            going = going and None not in found
            asked = [each for each in found if each is not None]
            if asked:
                self._keep(asked)

    def _keep(self, asked: Sequence[_Asked]) -> None:
        for each in asked:
            # It is kept also where who asked has gone.
            if each.done is None:
                each.answer.set_running_or_notify_cancel()
        parts = [_part(each.handed) for each in asked]
        for each, part, outcome in zip(asked, parts, self._keep_each(parts), strict=True):
            if isinstance(outcome, Exception):
                if not each.answer.cancelled():
                    each.answer.set_exception(outcome)
                continue
            done = outcome if each.done is None else _together(each.done, outcome)
            if part.more:
                rest = each.handed._replace(readings=each.handed.readings[_MOST_READINGS:])
                self._queue.put(_Asked(rest, each.answer, done))
            elif not each.answer.cancelled():
                each.answer.set_result(done)


def _readings_of(found: Sequence[_Asked | None]) -> int:
    return sum(len(each.handed.readings) for each in found if each is not None)


def _part(handed: Handed) -> Handed:
    readings = handed.readings
    return handed._replace(readings=readings[:_MOST_READINGS], more=len(readings) > _MOST_READINGS)


def _together(before: Acknowledgement, after: Acknowledgement) -> Acknowledgement:
    return Acknowledgement(
        before.stored + after.stored,
        before.known + after.known,
        before.outcomes + after.outcomes,
        before.conflicting + after.conflicting,
    )
