"""After a damage, each thing that must never be is seen."""

from __future__ import annotations

from tests.faults.damage import Means, breaches_after_damage
from tests.faults.presses import Press

_MEANS = Means({"1.0", "2.0"}, {"1.0"}, "a backup is restored")


def _press(text: str) -> Press:
    return Press("near", text, heard=True, acknowledged=True)


def test_all_is_well_where_each_is_in_the_store_or_can_be_read_or_is_destroyed() -> None:
    presses = [*map(_press, ("1.0", "2.0", "3.0")), Press("near", "4.0", heard=True)]
    assert breaches_after_damage(["1.0"], _MEANS, presses, b"..3.0..") == []


def test_what_is_not_destroyed_must_be_found() -> None:
    (breach,) = breaches_after_damage(["1.0"], _MEANS, [_press("3.0")], b"..1.0..")
    assert breach.startswith("near 3.0 was acknowledged, is not destroyed")


def test_what_is_kept_beside_the_store_is_acknowledged_too() -> None:
    beside = Press("near", "3.0", heard=True, beside=True)
    assert len(breaches_after_damage([], _MEANS, [beside], b"")) == 1


def test_what_was_brought_must_be_in_the_store_once() -> None:
    assert breaches_after_damage([], _MEANS, [_press("1.0")], b"1.0") == [
        "1.0 is not stored, though a backup is restored"
    ]
    assert breaches_after_damage(["1.0", "1.0"], _MEANS, [_press("1.0")], b"") == [
        "1.0 is stored 2 times, after a backup is restored"
    ]
