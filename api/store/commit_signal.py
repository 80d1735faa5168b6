"""Wakes live streams when this process or another one commits to the store."""

from __future__ import annotations

import asyncio
from collections.abc import Collection, Sequence
from contextlib import suppress
from typing import Final

from sqlalchemy import Engine

from api.store.publishing import Happened
from api.store.watch import Watch

_MOST: Final = 1000
"""Events told to somebody who takes none; without the first of them all are read instead."""


class Waiter(asyncio.Event):
    """Set after a commit of one of the benches with these ids; of any while that is None.

    told: the events of this process' commits, in order, for who takes them. look: whether there
    may be others.
    """

    def __init__(self) -> None:
        super().__init__()
        self.benches: Collection[int] | None = None
        self.told: list[Happened] | None = None
        self.look = True

    def take(self) -> tuple[list[Happened], bool]:
        """`told` and `look` until now; from now on both begin anew, and events are told."""
        taken = self.told or [], self.look
        self.told, self.look = [], False
        return taken


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

    def notify(
        self, benches: Collection[int] | None = None, events: Sequence[Happened] = ()
    ) -> None:
        """Wake who waits for one of these benches, by their ids; None: everybody. events: what was
        committed, where it is known."""
        loop = self._loop
        if loop is not None:
            # Closed, nobody is left to be woken; whoever committed must not hear of that.
            with suppress(RuntimeError):
                loop.call_soon_threadsafe(self._wake, benches, events)

    def close(self) -> None:
        """End every stream, as the program stops."""
        self.closed = True
        self._unwatch()
        self.notify()

    def _wake(self, benches: Collection[int] | None, events: Sequence[Happened]) -> None:
        for waiter in self._waiters:
            if waiter.told is not None:
                if len(waiter.told) > _MOST:
                    waiter.told.clear()
                waiter.told += events
            theirs = waiter.benches
            if benches is None or theirs is None or any(bench in theirs for bench in benches):
                waiter.look = waiter.look or not events
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
