"""Turns a stream of values into one reading for each time the jaws come to rest."""

from __future__ import annotations

from typing import Final, Literal

StreamState = Literal["moving", "settled", "still"]

_FEWEST: Final = 3
"""Values that must agree: two can agree by chance where a movement reverses."""


class Settling:
    """Gives the value at which a streaming instrument stood still, once per placement.

    window_s: how long the values must stay together.
    tolerance_nm: how far apart (highest minus lowest) they may lie meanwhile; two counts
        of the display let the last digit flicker.
    rearm_nm: how far a value must move from the last reading before the next one counts;
        far more than the tolerance, so that neither flicker nor drift gives a second one.

    The reading is the value seen most often in the window, the latest of equals. Values
    within `tolerance_nm` of zero (closed jaws, a sleeping display) give none, but are
    movement. A silence of twice the window, at least 1 s, restarts the window: values from
    before a pause prove nothing about those after it.
    `state` is "moving", "settled" (this placement has given its reading) or "still"
    (at zero, which gives no reading).
    Raises ValueError unless window_s > 0 and 0 <= tolerance_nm < rearm_nm.
    """

    def __init__(self, window_s: float = 0.4, *, tolerance_nm: int, rearm_nm: int) -> None:
        if not window_s > 0:
            raise ValueError(f"the window must be above zero seconds, not {window_s}")
        if not 0 <= tolerance_nm < rearm_nm:
            raise ValueError(
                f"the tolerance ({tolerance_nm} nm) must not be negative and must be less than "
                f"the movement that arms again ({rearm_nm} nm)"
            )
        self.window_s = window_s
        self.tolerance_nm = tolerance_nm
        self.rearm_nm = rearm_nm
        self.state: StreamState = "moving"
        self._given: int | None = None
        self.reset()

    def reset(self) -> None:
        """Forget the values of the window (after an unplug), but not the last reading given."""
        self._seen: dict[int, tuple[int, float]] = {}
        self._count = 0
        self._began_at = 0.0
        self._heard_at = float("-inf")
        self.state = "moving"

    def feed(self, value_nm: int, now: float) -> int | None:
        """The reading that `value_nm`, seen at `now`, completes; else None."""
        if self._given is not None and abs(value_nm - self._given) > self.rearm_nm:
            self._given = None
        lowest = min(self._seen, default=value_nm)
        highest = max(self._seen, default=value_nm)
        too_wide = max(highest, value_nm) - min(lowest, value_nm) > self.tolerance_nm
        silent = now - self._heard_at >= max(1.0, 2 * self.window_s)
        if too_wide or silent:
            self._seen.clear()
            self._count = 0
            self._began_at = now
        self._heard_at = now
        times, _ = self._seen.get(value_nm, (0, now))
        self._seen[value_nm] = (times + 1, now)
        self._count += 1
        if self._count < _FEWEST or now - self._began_at < self.window_s:
            self.state = "moving"
            return None
        if self._given is not None:
            self.state = "settled"
            return None
        if max(abs(nm) for nm in self._seen) <= self.tolerance_nm:
            self.state = "still"
            return None
        self.state = "settled"
        self._given = max(self._seen, key=lambda nm: self._seen[nm])
        return self._given
