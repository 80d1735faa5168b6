"""The moments that an old notebook says."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time
from typing import Literal

DateOrder = Literal["ymd", "dmy", "mdy"]


def moment_of(day: str | None, hour: str | None, order: DateOrder) -> datetime:
    """The moment in UTC; noon where only the day is known, so that it is that day nearly
    everywhere. Raises ValueError."""
    if day is None:
        raise ValueError("it has no date")
    try:
        if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ].*", day):
            moment = datetime.fromisoformat(day)
            return moment.astimezone(UTC) if moment.tzinfo else moment.replace(tzinfo=UTC)
        at = time(12) if hour is None else time.fromisoformat(hour.zfill(5))
        return datetime.combine(_day(day, order), at, at.tzinfo or UTC).astimezone(UTC)
    except (ValueError, OverflowError):
        said = day if hour is None else f"{day} {hour}"
        raise ValueError(
            f"{said!r} is not a date that is understood; write it as 2024-05-03 or"
            " 2024-05-03 14:30, or give --dates dmy or mdy"
        ) from None


def _day(text: str, order: DateOrder) -> date:
    parts = re.fullmatch(r"([0-9]{1,4})([-./])([0-9]{1,2})\2([0-9]{1,4})\.?", text)
    if parts is None:
        raise ValueError
    first, mark, middle, last = int(parts[1]), parts[2], int(parts[3]), int(parts[4])
    if len(parts[1]) == 4:
        return date(first, middle, last)
    if len(parts[4]) != 4:
        raise ValueError  # which century, and which of the three is the year?
    # With points the day comes first nearly everywhere; with other marks both orders are possible,
    # unless only one of them gives a date.
    day_first = order == "dmy" or (order == "ymd" and (mark == "." or first > 12))
    month_first = order == "mdy" or (order == "ymd" and middle > 12)
    if not day_first and not month_first:
        raise ValueError
    return date(last, middle, first) if day_first else date(last, first, middle)
