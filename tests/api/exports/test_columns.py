"""The texts that stand in a pulled table's cells."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from typing import get_args
from uuid import UUID

import pytest

from api.exports.columns import (
    group_id_texts,
    id_texts,
    length_text,
    moment_texts,
    words_in,
    words_text,
)
from capture.records import Flag


@pytest.mark.parametrize("flag", get_args(Flag))
def test_every_flag_can_be_read_out_of_the_text_that_an_export_makes_of_it(flag):
    assert words_in(words_text([flag, "late"])) == [flag, "late"]


_IDS = [UUID(int=number) for number in (0, 1, 2**127 + 12345, 2**128 - 1)]


@pytest.mark.parametrize("given", [[i.hex for i in _IDS], _IDS], ids=["digits", "UUIDs"])
def test_an_id_is_written_the_usual_way_however_the_driver_gives_it(given):
    assert id_texts(given) == [str(each) for each in _IDS]
    assert id_texts([]) == []
    shared = [given[1], None, given[1], given[2], None]
    written = [str(_IDS[1]), None, str(_IDS[1]), str(_IDS[2]), None]
    assert group_id_texts(shared) == written
    assert group_id_texts([None]) == [None]


def test_moments_sort_as_texts_however_the_driver_gives_them():
    east = timezone(timedelta(hours=2))
    moments = [datetime(2026, 3, 2, 14, 0, 0, 5, east), datetime(2026, 3, 2, 12, 0, 1, 0, UTC)]
    texts = ["2026-03-02T12:00:00.000005Z", "2026-03-02T12:00:01.000000Z"]
    assert list(moment_texts(moments)) == texts == sorted(texts)
    sqlite = ["2026-03-02 12:00:00.000005", "2026-03-02 12:00:01.000000"]
    assert list(moment_texts(sqlite)) == texts
    assert list(moment_texts([sqlite[0], None])) == [texts[0], None]
    assert list(moment_texts([None, moments[1]])) == [None, texts[1]]
    assert list(moment_texts([])) == []


def test_a_length_is_exact_and_none_is_none():
    assert length_text(203_860_400) == "203.8604"
    assert length_text(0) == "0"
    assert length_text(None) is None
