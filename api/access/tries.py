"""How often a code may be tried that is none."""

from __future__ import annotations

import threading
from collections import deque
from contextlib import suppress
from typing import Final

from api.addresses import network

MOST_A_MINUTE: Final = 5
"""Wrong codes that one address may send in a minute."""
MOST_OF_ALL: Final = 60
"""The same of all addresses together: 3,600 an hour, of 2^50 codes."""

_WINDOW_S: Final = 60.0


class Tries:
    """The codes that were tried in the last minute and are none. Safe to use from any thread.

    The moment is an argument, in s.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._wrong: deque[tuple[float, str]] = deque()

    def begin(self, address: str, now: float) -> float:
        """How long `address` must wait until it may try a code; 0 where it may now.

        Then the code counts as wrong, unless it turns out `right`: of many that are tried at once,
        no more are looked at than of as many one after the other.
        """
        whose = network(address)
        with self._lock:
            while self._wrong and self._wrong[0][0] <= now - _WINDOW_S:
                self._wrong.popleft()
            own = [at for at, wrong in self._wrong if wrong == whose]
            free = [now]
            if len(own) >= MOST_A_MINUTE:
                free.append(own[-MOST_A_MINUTE] + _WINDOW_S)
            if len(self._wrong) >= MOST_OF_ALL:
                free.append(self._wrong[-MOST_OF_ALL][0] + _WINDOW_S)
            wait_s = max(free) - now
            if not wait_s:
                self._wrong.append((now, whose))
            return wait_s

    def right(self, address: str, now: float) -> None:
        """Count the code no more that `address` began to try then."""
        with self._lock, suppress(ValueError):
            self._wrong.remove((now, network(address)))
