"""Records are values: never changed, and the same wherever they were made."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, replace
from datetime import UTC, datetime, timedelta, timezone
from typing import get_args
from uuid import UUID

import pytest

from capture import records
from capture.records import (
    CaliperState,
    Flag,
    Layout,
    Press,
    Reading,
    Refusal,
    Resume,
    Start,
    TakeBack,
)

_NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
_ID = UUID(int=7)
_READING = Reading(_ID, "main", "six-inch", "12.30", "mm", 12_300_000, _NOON)


@pytest.mark.parametrize(
    ("record", "field"),
    [
        (_READING, "sent"),
        (Layout(2), "places"),
        (Start(_ID, Layout(2)), "series"),
        (Press(_READING), "reading"),
        (TakeBack(), "reading"),
        (records.SwapEnds(), "trial"),
        (records.Restore(_ID), "reading"),
        (Resume(_ID), "series"),
        (Refusal(_ID, "main", "six-inch", "Err", "no reading", _NOON), "raw"),
        (CaliperState("main", "six-inch", "listening"), "state"),
    ],
    ids=lambda value: type(value).__name__,
)
def test_no_record_can_be_changed(record, field):
    with pytest.raises(FrozenInstanceError):
        setattr(record, field, None)


def test_a_reading_is_the_same_however_it_was_read_and_in_whatever_zone():
    local = _NOON.astimezone(timezone(timedelta(hours=-7)))
    assert replace(_READING, pattern="(?P<value>.*)", taken_at=local) == _READING


@pytest.mark.parametrize(
    "other",
    [
        {"id": UUID(int=8)},
        {"bench": "side"},
        {"caliper": "another"},
        {"sent": "12.3"},
        {"unit": "in"},
        {"nm": 12_300_001},
        {"taken_at": _NOON + timedelta(microseconds=1)},
        {"origin": "typed"},
        {"since_previous_ms": 0},
        {"late": True},
    ],
    ids=lambda other: next(iter(other)),
)
def test_a_reading_that_differs_in_anything_else_is_another(other):
    assert replace(_READING, **other) != _READING


def test_acts_of_different_kinds_are_never_equal():
    assert records.Restore(_ID) != TakeBack(_ID)
    assert Resume(_ID) != records.Restore(_ID)


def test_what_is_not_said_is_the_usual():
    assert (_READING.origin, _READING.since_previous_ms, _READING.late) == ("button", None, False)
    assert Layout(2) == Layout(places=2, repeats=1, swap=None, closed_jaws=False)
    assert CaliperState("main", "six-inch", "listening").message == ""


@pytest.mark.parametrize("flag", get_args(Flag))
def test_no_flag_contains_a_hyphen(flag):
    assert "-" not in flag
