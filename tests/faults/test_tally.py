"""The tally sees each thing that must never be."""

from __future__ import annotations

from tests.faults.presses import Press, Session
from tests.faults.tally import Tally, tally


def _acknowledged(*texts: str) -> list[Press]:
    return [Press("near", text, heard=True, acknowledged=True) for text in texts]


def _tallied(presses: list[Press], *stored: str) -> Tally:
    return tally(presses, [Session(1, presses=presses)], stored, set())


def test_all_is_well_where_each_is_kept_once_and_in_order() -> None:
    found = _tallied(_acknowledged("1.0", "2.0", "3.0"), "1.0", "2.0", "3.0")
    assert found.breaches == []
    assert (found.pressed, found.acknowledged, found.stored, found.unheard) == (3, 3, 3, 0)


def test_what_was_acknowledged_and_is_not_there_is_lost() -> None:
    found = _tallied(_acknowledged("1.0", "2.0"), "1.0")
    assert found.lost == 1
    assert found.breaches == ["near 2.0 was acknowledged, and is not kept"]


def test_what_is_there_twice_is_doubled() -> None:
    found = _tallied(_acknowledged("1.0", "2.0"), "1.0", "2.0", "1.0")
    assert found.doubled == 1
    assert found.breaches == ["1.0 is stored 2 times"]


def test_what_is_stored_after_a_later_press_is_out_of_order() -> None:
    found = _tallied(_acknowledged("1.0", "2.0", "3.0"), "1.0", "3.0", "2.0")
    assert found.out_of_order == 1
    assert found.breaches == ["2.0 from near is stored after 3.0"]


def test_what_nobody_pressed_is_found() -> None:
    assert _tallied(_acknowledged("1.0"), "1.0", "0").breaches == [
        "0 is stored, and nobody pressed it"
    ]


def test_what_was_heard_must_be_kept_or_named() -> None:
    presses = [
        Press("near", "1.0", heard=True),
        Press("near", "2.0", heard=True, said="could not be stored: 2.0 mm"),
        Press("near", "3.0", heard=True, survived=False),
        Press("near", "4.0"),
        Press("near", "Err 5", nonsense=True, heard=True),
    ]
    found = _tallied(presses)
    assert (found.silent, found.unheard) == (2, 2)
    assert found.breaches == [
        "near 1.0 was heard, and nothing was said",
        "near Err 5 was heard, and nothing was said",
    ]


def test_a_killed_process_keeps_no_later_press_without_those_before() -> None:
    presses = [
        Press("near", "1.0", heard=True, survived=False),
        Press("near", "2.0", heard=True, survived=False),
    ]
    assert _tallied(presses, "2.0").breaches == ["2.0 is kept, and 1.0 before it is not"]


def test_nonsense_is_answered_where_the_store_has_it() -> None:
    presses = [Press("far", "Err 1", nonsense=True, heard=True, acknowledged=True)]
    found = tally(presses, [Session(1, presses=presses)], [], {"Err 1"})
    assert found.breaches == []
    assert found.refused == 1
