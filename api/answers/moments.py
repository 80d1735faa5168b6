"""Days and ages in words, in the server's time zone."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Final

from api.errors import InvalidField

# Clocks and time zones of the devices of a shop differ; never by more than this.
_CLOCK_ERROR: Final = timedelta(days=1)


def day(at: datetime) -> str:
    """ "3 March 2026"."""
    here = at.astimezone()
    return f"{here.day} {here:%B %Y}"


def clock(at: datetime) -> str:
    """ "09:05"."""
    return f"{at.astimezone():%H:%M}"


def minute(at: datetime) -> str:
    """ "3 March 2026, 09:05"."""
    return f"{day(at)}, {clock(at)}"


def ago(at: datetime, now: datetime) -> str:
    """ "today", "yesterday", "12 days ago", "5 weeks ago", "7 months ago", "3 years ago".

    Counted in calendar days; a moment in the future is "today".
    """
    days = (now.astimezone().date() - at.astimezone().date()).days
    if days <= 0:
        return "today"
    if days == 1:
        return "yesterday"
    for length, least, word in ((365.25, 730, "years"), (30.44, 60, "months"), (7, 21, "weeks")):
        if days >= least:
            return f"{round(days / length)} {word} ago"
    return f"{days} days ago"


def check_past(field: str, at: datetime, now: datetime) -> None:
    """Raise InvalidField where `at` is in the future by more than a clock may be wrong."""
    if at > now + _CLOCK_ERROR:
        raise InvalidField(field, f"{day(at)} is in the future; give the day on which it happened")


def aware(value: datetime) -> datetime:
    """`value` in UTC; a moment without a zone is taken as UTC. At the first and last day that a
    datetime can hold, where UTC would be outside its range, only the zone is replaced."""
    if value.tzinfo is None:
        return value.replace(tzinfo=UTC)
    try:
        return value.astimezone(UTC)
    except OverflowError:
        return value.replace(tzinfo=UTC)
