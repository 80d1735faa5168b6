"""From a series straight to an answer: what it is compared with most often."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, Row

from api.answers.since_change import Question, asked
from api.store.facts import method_of
from api.store.rows.series import complete_before

# Series without a trial to look back over for one that has some.
_FAR_ENOUGH_BACK: Final = 20
_ASKED: Final[dict[Question, str]] = {
    "did it help": "Did the change help?",
    "did it come back": "Did it come back?",
}


@dataclass(frozen=True, slots=True)
class Link:
    words: str
    address: str


def links(connection: Connection, series: Row[Any]) -> list[Link]:
    """What a series that has a trial is compared with: the one before the latest change, where
    one asks what that did, and the one before. Columns of `tables.Series`."""
    if method_of(series).judges == "hand":
        return []
    found = []
    question, changed = asked(connection, series)
    if question is not None and changed is not None:
        found.append(Link(_ASKED[question], f"/compare?a={changed}&b={series.id}"))
    before = next(iter(complete_before(connection, series, _FAR_ENOUGH_BACK)), None)
    if before is not None and (question is None or before.id != changed):
        found.append(Link("Compare with the one before", f"/compare?a={before.id}&b={series.id}"))
    return found
