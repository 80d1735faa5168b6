"""A wait for a descriptor ends for what came, for the time, and for whoever rings."""

from __future__ import annotations

import os
import select
import sys
import threading
from collections.abc import Iterator

import pytest

from capture.sources.alarm import Alarm

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="poll() is POSIX")


@pytest.fixture
def pipe() -> Iterator[tuple[int, int]]:
    ends = os.pipe()
    yield ends
    for end in ends:
        os.close(end)


@pytest.fixture
def alarm(pipe: tuple[int, int]) -> Iterator[Alarm]:
    made = Alarm(pipe[0])
    yield made
    made.close()


def test_what_has_come_is_told_at_once(alarm: Alarm, pipe: tuple[int, int]) -> None:
    os.write(pipe[1], b"1")
    assert alarm.wait(None) == select.POLLIN
    assert alarm.wait(0) == select.POLLIN  # it is still there
    os.read(pipe[0], 1)
    assert alarm.wait(0) == 0


@pytest.mark.parametrize("seconds", [0.0, -1.0, 0.001])
def test_a_wait_for_nothing_ends_after_its_time(alarm: Alarm, seconds: float) -> None:
    assert alarm.wait(seconds) == 0


def test_a_wait_for_ever_is_ended_from_another_thread(alarm: Alarm) -> None:
    threading.Timer(0.01, alarm.ring).start()
    assert alarm.wait(None) == 0


def test_however_often_it_rang_one_wait_ends_and_no_more(alarm: Alarm) -> None:
    for _ in range(3):
        alarm.ring()
    assert alarm.wait(None) == 0
    ended = threading.Event()

    def wait() -> None:
        alarm.wait(None)
        ended.set()

    thread = threading.Thread(target=wait)
    thread.start()
    assert not ended.wait(0.05)
    alarm.ring()
    assert ended.wait(30)
    thread.join()


def test_a_bell_that_nobody_hears_does_not_hold_up_who_rings(alarm: Alarm) -> None:
    for _ in range(100_000):  # more than any pipe takes
        alarm.ring()
    assert alarm.wait(None) == 0


def test_a_ring_hides_nothing_that_came_meanwhile(alarm: Alarm, pipe: tuple[int, int]) -> None:
    os.write(pipe[1], b"1")
    alarm.ring()
    assert alarm.wait(None) == select.POLLIN


def test_who_rings_after_the_end_writes_into_no_other_file(pipe: tuple[int, int]) -> None:
    alarm = Alarm(pipe[0])
    alarm.close()
    taken = os.pipe()  # the numbers that have become free
    os.set_blocking(taken[0], False)
    alarm.ring()
    with pytest.raises(BlockingIOError):
        os.read(taken[0], 1)
    for end in taken:
        os.close(end)
