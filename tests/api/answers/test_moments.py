"""Days and ages in words, and moments in UTC."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest

from api.answers.moments import ago, aware, check_past, day
from api.errors import InvalidField


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (-1, "today"), (0, "today"), (1, "yesterday"), (2, "2 days ago"), (20, "20 days ago"),
        (21, "3 weeks ago"), (59, "8 weeks ago"), (60, "2 months ago"), (90, "3 months ago"),
        (729, "24 months ago"), (731, "2 years ago"),
    ],
)  # fmt: skip
def test_an_age_is_said_in_words_a_person_would_use(days, words):
    now = datetime(2026, 6, 10, 12).astimezone()
    assert ago(now - timedelta(days=days), now) == words


def test_a_day_is_said_without_zeros_before_it():
    assert day(datetime(2026, 3, 2, 12).astimezone()) == "2 March 2026"


def test_a_moment_without_a_zone_is_taken_as_utc():
    assert aware(datetime(2026, 3, 2, 12)) == datetime(2026, 3, 2, 12, tzinfo=UTC)
    east = timezone(timedelta(hours=2))
    found = aware(datetime(2026, 3, 2, 12, tzinfo=east))
    assert (found.tzinfo, found.hour) == (UTC, 10)


@pytest.mark.parametrize(
    "edge",
    [
        datetime.min.replace(tzinfo=timezone(timedelta(hours=2))),
        datetime.max.replace(tzinfo=timezone(timedelta(hours=-2))),
    ],
)
def test_a_moment_at_the_end_of_what_a_date_can_say_is_no_failure(edge):
    assert aware(edge) == edge.replace(tzinfo=UTC)


def test_a_moment_in_the_future_is_refused_beyond_a_clocks_error() -> None:
    noon = datetime(2026, 3, 2, 12, tzinfo=UTC)
    check_past("at", noon + timedelta(hours=23), noon)
    with pytest.raises(InvalidField, match="at: 4 March 2026 is in the future; give the day"):
        check_past("at", noon + timedelta(days=2), noon)
