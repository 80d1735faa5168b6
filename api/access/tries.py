"""How often a code may be tried that is none."""

from __future__ import annotations

from collections import deque
from typing import Final

from api.addresses import network

MOST_A_MINUTE: Final = 5
"""Wrong codes that one address may send in a minute."""
MOST_OF_ALL: Final = 60
"""The same of all addresses together: 3,600 an hour, of 2^50 codes."""

_WINDOW_S: Final = 60.0


class Tries:
    """The wrong codes of the last minute. The moment is an argument, in s."""

    def __init__(self) -> None:
        self._wrong: deque[tuple[float, str]] = deque()

    def wait_s(self, address: str, now: float) -> float:
        """How long `address` must wait until it may try again; 0 where it may now."""
        while self._wrong and self._wrong[0][0] <= now - _WINDOW_S:
            self._wrong.popleft()
        whose = network(address)
        own = [at for at, wrong in self._wrong if wrong == whose]
        free = [now]
        if len(own) >= MOST_A_MINUTE:
            free.append(own[-MOST_A_MINUTE] + _WINDOW_S)
        if len(self._wrong) >= MOST_OF_ALL:
            free.append(self._wrong[-MOST_OF_ALL][0] + _WINDOW_S)
        return max(free) - now

    def wrong(self, address: str, now: float) -> None:
        """Count a code that is none."""
        self._wrong.append((now, network(address)))
