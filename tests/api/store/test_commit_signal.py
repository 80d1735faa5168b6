"""Who waits for commits is woken by them, and the store is watched only while somebody waits."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine

from api.store.commit_signal import CommitSignal
from api.store.engine import open_engine, sqlite_url
from tests.ptys import until


@pytest.fixture
def signal(tmp_path: Path) -> Iterator[CommitSignal]:
    engine: Engine = open_engine(sqlite_url(tmp_path))
    made = CommitSignal(engine)
    yield made
    made.close()
    assert until(lambda: not watched())
    engine.dispose()


def watched() -> bool:
    return any(thread.name == "watch" for thread in threading.enumerate())


async def woken(waiter: asyncio.Event) -> None:
    await asyncio.wait_for(waiter.wait(), 30)


def test_everybody_who_waits_is_woken_from_any_thread(signal):
    async def wait() -> None:
        signal.attach(asyncio.get_running_loop())
        waiters = [signal.join() for _ in range(3)]
        for waiter in waiters:  # the watch's own beginning wakes as well
            await woken(waiter)
            waiter.clear()
        threading.Thread(target=signal.notify).start()
        for waiter in waiters:
            await woken(waiter)

    asyncio.run(wait())


def test_a_commit_of_another_bench_wakes_nobody_who_knows_their_own(signal):
    async def wait() -> None:
        signal.attach(asyncio.get_running_loop())
        any_bench, third, fourth = (signal.join() for _ in range(3))
        third.benches, fourth.benches = {3}, {4}
        for waiter in (any_bench, third, fourth):
            await woken(waiter)
            waiter.clear()
        # The watch on the empty store tells nothing more.
        signal.notify({3, 7})
        await woken(any_bench)
        assert (third.is_set(), fourth.is_set()) == (True, False)
        signal.notify()
        await woken(fourth)

    asyncio.run(wait())


def test_the_store_is_watched_for_as_long_as_somebody_waits(signal):
    async def wait() -> None:
        signal.attach(asyncio.get_running_loop())
        assert not watched()
        first, second = signal.join(), signal.join()
        assert sum(thread.name == "watch" for thread in threading.enumerate()) == 1
        signal.leave(first)
        assert signal._watch is not None
        signal.leave(second)
        signal.leave(second)
        assert signal._watch is None
        assert until(lambda: not watched())

    asyncio.run(wait())


def test_the_end_of_the_program_wakes_everybody_and_nothing_is_watched_after_it(signal):
    async def wait() -> None:
        signal.attach(asyncio.get_running_loop())
        waiter = signal.join()
        await woken(waiter)
        waiter.clear()
        signal.close()
        await woken(waiter)
        assert signal.closed
        signal.join()
        assert signal._watch is None

    asyncio.run(wait())


def test_a_commit_that_nobody_can_wait_for_any_more_harms_nothing(signal):
    signal.notify()  # before there is a loop

    async def attach() -> None:
        signal.attach(asyncio.get_running_loop())

    asyncio.run(attach())
    signal.notify()  # its loop is closed
