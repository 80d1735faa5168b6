"""Wakes live streams when this process or another one commits to the store."""

from __future__ import annotations

import asyncio
from collections.abc import Collection

from sqlalchemy import Engine

from api.store.watch import Watch


class Waiter(asyncio.Event):
    """Set after a commit of one of the benches with these ids; of any while that is None."""

    benches: Collection[int] | None = None


class CommitSignal:
    """Sets the waiters of a bench after a commit. `notify` may be called from any thread.

    Commits of other processes to the store of `engine` are watched for while anything waits.
    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._watch: Watch | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._waiters: set[Waiter] = set()
        self.closed = False

    def attach(self, loop: asyncio.AbstractEventLoop) -> None:
        """Set the event loop on which the waiters run."""
        self._loop = loop

    def notify(self, benches: Collection[int] | None = None) -> None:
        """Wake who waits for one of these benches, by their ids; None: everybody."""
        loop = self._loop
        if loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(self._wake, benches)

    def close(self) -> None:
        """End every stream, as the program stops."""
        self.closed = True
        self._unwatch()
        self.notify()

    def _wake(self, benches: Collection[int] | None) -> None:
        for waiter in self._waiters:
            theirs = waiter.benches
            if benches is None or theirs is None or any(bench in theirs for bench in benches):
                waiter.set()

    def join(self) -> Waiter:
        """Add a waiter; call this and `leave` from the loop's thread.

        Raises OSError where no file is left for the watch.
        """
        if self._watch is None and not self.closed:
            self._watch = Watch(self._engine, self.notify)
        waiter = Waiter()
        self._waiters.add(waiter)
        return waiter

    def leave(self, waiter: Waiter) -> None:
        self._waiters.discard(waiter)
        if not self._waiters:
            self._unwatch()

    def _unwatch(self) -> None:
        watch, self._watch = self._watch, None
        if watch is not None:
            watch.stop()
