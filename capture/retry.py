"""How long until the next attempt to open a source that is not there."""

from __future__ import annotations


class Backoff:
    """Waits that double from `first` up to `most`, in seconds.

    An instrument that is plugged in again is found within `most` plus the time of opening; one
    that stays unplugged costs one attempt per `most`.
    Raises ValueError unless 0 < first <= most.
    """

    def __init__(self, first: float = 0.2, most: float = 2.0) -> None:
        if not 0 < first <= most:
            raise ValueError(f"first ({first}) must be above zero and at most `most` ({most})")
        self.first = first
        self.most = most
        self._next = first

    def next(self) -> float:
        """Seconds to wait before the coming attempt; each call is one attempt."""
        delay = self._next
        self._next = min(delay * 2, self.most)
        return delay

    def reset(self) -> None:
        """The source was opened: the next failure starts again at `first`."""
        self._next = self.first
