"""How many codes somebody can try."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pytest

from api.access.tries import MOST_A_MINUTE, MOST_OF_ALL, Tries


def guessed(tries: Tries, addresses: list[str], seconds: int) -> int:
    """How many wrong codes are looked at where each address tries once a second."""
    looked_at = 0
    for second in range(seconds):
        for address in addresses:
            looked_at += not tries.begin(address, second)
    return looked_at


def test_one_address_guesses_five_times_a_minute() -> None:
    assert guessed(Tries(), ["10.0.0.7"], 3600) == MOST_A_MINUTE * 60 == 300


def test_many_addresses_together_have_a_bound_of_their_own() -> None:
    many = [f"10.0.0.{host}" for host in range(1, 101)]
    assert guessed(Tries(), many, 180) == MOST_OF_ALL * 3


@pytest.mark.parametrize(
    ("one", "other", "together"),
    [
        ("10.0.0.7", "10.0.0.8", False),
        # A device picks its own addresses within 64 bits (RFC 4291, 2.5.4).
        ("2001:db8::1", "2001:db8::ffff:1", True),
        ("2001:db8::1", "2001:db8:0:1::1", False),
        ("::ffff:10.0.0.7", "10.0.0.7", True),
        ("fe80::1%eth0", "fe80::2%eth0", True),
        ("a name", "another name", False),
    ],
)
def test_who_counts_as_one(one: str, other: str, together: bool) -> None:
    tries = Tries()
    for _ in range(MOST_A_MINUTE):
        assert tries.begin(one, 0.0) == 0.0
    assert tries.begin(one, 20.0) == 40.0
    assert tries.begin(other, 20.0) == (40.0 if together else 0.0)
    assert tries.begin(one, 60.0) == 0.0


def test_of_many_codes_at_once_no_more_are_looked_at() -> None:
    """None is known for wrong before the last has come."""
    tries, together = Tries(), Barrier(4 * MOST_A_MINUTE)

    def begun(_number: int) -> bool:
        together.wait()
        return not tries.begin("10.0.0.7", 0.0)

    with ThreadPoolExecutor(together.parties) as threads:
        assert sum(threads.map(begun, range(together.parties))) == MOST_A_MINUTE


def test_codes_that_are_right_count_for_nothing() -> None:
    tries = Tries()
    for second in range(3 * MOST_A_MINUTE):
        assert tries.begin("10.0.0.7", second) == 0.0
        tries.right("10.0.0.7", second)
