"""How long until the next attempt."""

from __future__ import annotations

import pytest

from capture.retry import Backoff


def test_a_replugged_instrument_is_looked_for_within_two_seconds_for_ever() -> None:
    backoff = Backoff()
    waits = [backoff.next() for _ in range(1000)]
    assert waits[:5] == pytest.approx([0.2, 0.4, 0.8, 1.6, 2.0])
    assert max(waits) == 2.0


def test_after_a_success_the_next_search_is_quick_again() -> None:
    backoff = Backoff()
    for _ in range(9):
        backoff.next()
    backoff.reset()
    assert backoff.next() == 0.2


@pytest.mark.parametrize(("first", "most"), [(0.0, 1.0), (2.0, 1.0), (-1.0, 1.0)])
def test_waits_that_would_spin_are_refused(first: float, most: float) -> None:
    with pytest.raises(ValueError, match="first"):
        Backoff(first, most)
