"""A wait for a descriptor ends for what came, for the time, and for a wake."""

from __future__ import annotations

import os
import select
import sys
import threading
from collections.abc import Iterator

import pytest

from capture.sources.wakeable_poll import WakeablePoll

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="poll() is POSIX")


@pytest.fixture
def pipe() -> Iterator[tuple[int, int]]:
    ends = os.pipe()
    yield ends
    for end in ends:
        os.close(end)


@pytest.fixture
def poll(pipe: tuple[int, int]) -> Iterator[WakeablePoll]:
    made = WakeablePoll(pipe[0])
    yield made
    made.close()


def test_what_has_come_is_told_at_once(poll: WakeablePoll, pipe: tuple[int, int]) -> None:
    os.write(pipe[1], b"1")
    assert poll.wait(None) == select.POLLIN
    assert poll.wait(0) == select.POLLIN  # it is still there
    os.read(pipe[0], 1)
    assert poll.wait(0) == 0


@pytest.mark.parametrize("seconds", [0.0, -1.0, 0.001])
def test_a_wait_for_nothing_ends_after_its_time(poll: WakeablePoll, seconds: float) -> None:
    assert poll.wait(seconds) == 0


def test_a_wait_for_ever_is_ended_from_another_thread(poll: WakeablePoll) -> None:
    threading.Timer(0.01, poll.wake).start()
    assert poll.wait(None) == 0


def test_however_often_it_rang_one_wait_ends_and_no_more(poll: WakeablePoll) -> None:
    for _ in range(3):
        poll.wake()
    assert poll.wait(None) == 0
    ended = threading.Event()

    def wait() -> None:
        poll.wait(None)
        ended.set()

    thread = threading.Thread(target=wait)
    thread.start()
    assert not ended.wait(0.05)
    poll.wake()
    assert ended.wait(30)
    thread.join()


def test_a_wake_that_nobody_waits_for_does_not_block(poll: WakeablePoll) -> None:
    for _ in range(100_000):  # more than any pipe takes
        poll.wake()
    assert poll.wait(None) == 0


def test_a_ring_hides_nothing_that_came_meanwhile(
    poll: WakeablePoll, pipe: tuple[int, int]
) -> None:
    os.write(pipe[1], b"1")
    poll.wake()
    assert poll.wait(None) == select.POLLIN


def test_a_wake_after_the_end_writes_into_no_other_file(pipe: tuple[int, int]) -> None:
    poll = WakeablePoll(pipe[0])
    poll.close()
    taken = os.pipe()  # the numbers that have become free
    os.set_blocking(taken[0], False)
    poll.wake()
    with pytest.raises(BlockingIOError):
        os.read(taken[0], 1)
    for end in taken:
        os.close(end)
