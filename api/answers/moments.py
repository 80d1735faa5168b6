"""Days and ages in words, by the clock of the place where the server stands."""

from __future__ import annotations

from datetime import UTC, datetime


def day(at: datetime) -> str:
    """ "3 March 2026"."""
    here = at.astimezone()
    return f"{here.day} {here:%B %Y}"


def ago(at: datetime, now: datetime) -> str:
    """ "today", "yesterday", "12 days ago", "5 weeks ago", "7 months ago", "3 years ago".

    By whole days of the calendar; a moment still to come is "today".
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


def aware(value: datetime) -> datetime:
    """`value` in UTC; a moment without a zone is taken as UTC. At either end of what a date can
    say, where UTC would be a day beyond it, the numbers stay as they are."""
    if value.tzinfo is None:
        return value.replace(tzinfo=UTC)
    try:
        return value.astimezone(UTC)
    except OverflowError:
        return value.replace(tzinfo=UTC)
