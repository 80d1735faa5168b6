"""Presses that the store cannot take, because it is damaged or gone, kept in a queue beside it.

They are on the disk before they are acknowledged. As soon as there is a whole store at that place
again, at the latest when the program starts on it, they are stored in their order, before any
later one; their ids make that harmless where one is stored already. Each says how far its bench had
come in the store: in one that has not come so far, readings before it are lost.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from api.instruments.forward import bodies
from api.instruments.forward.queue import Item, Queue, QueueError
from api.settings import KEPT_BESIDE_FILE
from api.store.engine import DamagedStore, GoneStore, StoreError
from api.store.trouble import sentence
from capture.records import Reading, Refusal

_log = logging.getLogger(__name__)

_AGAIN_S: Final = 1.0
_REACHED: Final = "reached"


class Conflicting(Exception):
    """The store has another value under the id of a reading; the message says so."""


class KeptBeside:
    """The queue in the folder `data`, before the store that `store` puts one thing into.

    `reached` gives the number of a bench's last entry in the store, None where nobody knows.
    `store` gets the number that its bench had reached when the thing was kept beside the store
    (None: nobody knows; 0: nothing can be lost before it). It raises DamagedStore or GoneStore
    where there is no store to put it into, another StoreError where that fails for now, and
    Conflicting where it never will. `changed` is called when something was kept beside the store
    or taken into it. Safe to call from any thread.
    """

    def __init__(
        self,
        data: Path,
        store: Callable[[Reading | Refusal, int | None], None],
        reached: Callable[[str], int | None],
        changed: Callable[[], None],
    ) -> None:
        self._path = data / KEPT_BESIDE_FILE
        self._store = store
        self._reached = reached
        self._changed = changed
        self._lock = threading.Lock()
        self._queue: Queue | None = None
        self._over = threading.Event()
        self._again: threading.Thread | None = None
        self.waiting = 0
        self.last: Reading | None = None
        # Benches of which something was taken in: what waits after that follows it.
        self._followed: set[str] = set()

    def keep(self, item: Reading | Refusal) -> None:
        """Put `item` into the store, after all that wait; or beside it.

        Raises StoreError where it is in neither.
        """
        with self._lock, _in_words():
            if not self.waiting or self._taken_in():
                try:
                    self._store(item, 0)
                    return
                except Conflicting as error:
                    # To hand it over again would hold up all that come after it.
                    _log.error("%s cannot be stored: %s", item, error)
                    return
                except (DamagedStore, GoneStore) as error:
                    self._put(item, error)
            else:
                self._put(item, None)
        self._changed()

    def take_in(self) -> bool:
        """Put all that wait into the store; whether nothing waits any more.

        Raises StoreError where the queue cannot be used.
        """
        with self._lock, _in_words():
            if self._queue is None and not self._path.exists():
                return True
            done = self._taken_in()
            if not done:
                self._go_on_trying()
            return done

    def close(self) -> None:
        self._over.set()
        with self._lock:
            if self._queue is not None:
                self._queue.close()
                self._queue = None

    # ------------------------------------------------------------ under the lock

    def _opened(self) -> Queue:
        if self._queue is None:
            self._queue = Queue(self._path)
            self._count(self._queue)
        return self._queue

    def _count(self, queue: Queue) -> None:
        progress = queue.progress()
        self.waiting = progress.total - progress.sent

    def _put(self, item: Reading | Refusal, why: StoreError | None) -> None:
        # A folder that was moved away must not be made again: nobody would find what is in it.
        if why is not None and not self._path.parent.is_dir():
            raise why
        queue = self._opened()
        if isinstance(item, Reading):
            queue.add("reading", bodies.reading_body(item) | {_REACHED: self._reached(item.bench)})
            self.last = item
        else:
            queue.add("refusal", bodies.refusal_body(item))
        if not self.waiting:
            _log.error("presses are kept beside the store from now on: %s", why)
        self._count(queue)
        self._go_on_trying()

    def _go_on_trying(self) -> None:
        if self._again is None:
            self._again = threading.Thread(target=self._try, name="kept beside", daemon=True)
            self._again.start()

    def _taken_in(self) -> bool:
        queue = self._opened()
        while items := queue.waiting():
            for item in items:
                try:
                    thing, reached = _thing(item)
                    self._store(thing, 0 if thing.bench in self._followed else reached)
                    queue.handed_over(item.seq)
                    if isinstance(thing, Reading):
                        self._followed.add(thing.bench)
                except Conflicting as error:
                    queue.refused(item, str(error))
                    _log.error("%s, kept beside the store, cannot be stored: %s", item, error)
                except StoreError:
                    self._count(queue)
                    return False
        self._empty(queue)
        return True

    def _empty(self, queue: Queue) -> None:
        if queue.progress().refused:
            queue.close()
        else:
            queue.remove()
        self._queue = None
        self.waiting, self.last = 0, None
        self._followed.clear()

    # ------------------------------------------------------------ a thread of its own

    def _try(self) -> None:
        """Take in what waits once the store is back, also where nobody presses any more."""
        while not self._over.wait(_AGAIN_S):
            with self._lock, suppress(StoreError), _in_words():
                if self._over.is_set():
                    return
                if self._taken_in():
                    self._again = None
                    break
        self._changed()


@contextmanager
def _in_words() -> Iterator[None]:
    """Raise what is wrong with the queue's file as a StoreError."""
    try:
        yield
    except QueueError as error:
        raise StoreError(str(error)) from None
    except sqlite3.Error as error:
        raise StoreError(
            f"what is kept beside the store cannot be kept: {sentence(error)}"
        ) from None


def _thing(item: Item) -> tuple[Reading | Refusal, int | None]:
    """What waits, and the number that its bench had reached then."""
    if item.kind == "refusal":
        return bodies.refusal_in(item.body), 0
    body = dict(item.body)
    reached = body.pop(_REACHED, 0)
    return bodies.reading_in(body), reached
