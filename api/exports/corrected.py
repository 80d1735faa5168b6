"""What of trials and their series was corrected, and stands so."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, Row, Select, or_, select

from api.exports.columns import words_text
from api.store.rows.changes import standing
from api.store.tables import Change, Trial, TrialReading

_Key = tuple[int | None, str, Any]
"""A trial, None for the whole series, a field, and the reading where it is about one."""


class Corrected:
    """The corrections of the series selected, None for all; read at once."""

    def __init__(self, connection: Connection, series: Select[Any] | None) -> None:
        of_series: dict[str, dict[_Key, tuple[Any, Any]]] = defaultdict(dict)
        for change in standing(connection.execute(_query(series)).all()):
            _add(of_series[str(change.series_id)], change)
        self._words = {text: _words(found) for text, found in of_series.items()}

    def words(self, series: Sequence[str | None], numbers: Sequence[int]) -> Sequence[str]:
        """Of each of these trials, empty where nothing was corrected."""
        if not self._words:
            return ("",) * len(series)
        return [self._of(text, number) for text, number in zip(series, numbers, strict=True)]

    def of_whole(self, series: Sequence[str]) -> list[str]:
        """What was corrected of each of these series as a whole."""
        return [words_text(self._words.get(text, {}).get(None, ())) for text in series]

    def _of(self, series: str | None, number: int) -> str:
        found = self._words.get(str(series), {})
        return words_text(dict.fromkeys((*found.get(None, ()), *found.get(number, ()))))


def _query(series: Select[Any] | None) -> Select[Any]:
    query = (
        select(Change.__table__, Trial.number.label("counts_in"))
        .outerjoin(TrialReading, TrialReading.reading_id == Change.reading_id)
        .outerjoin(
            Trial, (Trial.id == TrialReading.trial_id) & (Trial.series_id == Change.series_id)
        )
        .where(Change.subject_kind == "series")
        .order_by(Change.id)
    )
    if series is None:
        return query
    # What undoes a move stands in the trail of the other series.
    theirs = select(Change.id).where(Change.series_id.in_(series))
    return query.where(or_(Change.series_id.in_(series), Change.undoes.in_(theirs)))


def _add(found: dict[_Key, tuple[Any, Any]], change: Row[Any]) -> None:
    """Note the first value before and the last one after."""
    if change.field == "moved out":
        for key in [key for key in found if key[0] in change.before]:
            del found[key]
        return
    numbers = [change.counts_in or change.trial]
    before, after = change.before, change.after
    if change.field == "moved":
        numbers = after
    elif change.field == "reading":
        before, after = before == "counted", after == "counted"
    for number in numbers:
        key = (number, change.field, change.reading_id)
        first, _ = found.get(key, (before, after))
        found[key] = (first, after)


def _words(found: dict[_Key, tuple[Any, Any]]) -> dict[int | None, list[str]]:
    words: dict[int | None, list[str]] = defaultdict(list)
    for (number, field, _), (before, after) in found.items():
        if before != after:
            words[number].append(field)
    return dict(words)
