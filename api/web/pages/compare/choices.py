"""What can be compared: the series to choose from, and which are proposed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection, Row

from analysis.sentences import cuts
from api.answers.moments import day, minute
from api.answers.since_change import asked
from api.errors import InvalidField
from api.store.facts import method_of
from api.store.rows.measured import latest_measured, latest_of_machine, running
from api.store.rows.stops import with_several
from api.web.pages.compare.links import Link, links
from api.web.pages.shared.charts import short

LISTED: Final = 300


@dataclass(frozen=True, slots=True)
class _Series:
    id: UUID
    row: Row[Any]
    words: str
    reveals: frozenset[str]


@dataclass(frozen=True, slots=True)
class _Machine:
    id: UUID
    name: str
    short: str
    series: list[_Series]


def choices(store: Connection, methods: Collection[str]) -> tuple[list[_Machine], int | None]:
    """Machines with their series that have a trial, the latest measured machine first; and how
    many are listed where that is not all of them."""
    rows = latest_measured(store, methods, LISTED + 1)
    several, runs = with_several(store), running(store)
    days = Counter((row.machine_id, day(row.started_at)) for row in rows)
    found: dict[UUID, _Machine] = {}
    for row in rows[:LISTED]:
        name, method = row.machine_name, method_of(row)
        of = found.setdefault(row.machine_id, _Machine(row.machine_id, name, short(name), []))
        when = day(row.started_at)
        if days[row.machine_id, when] > 1:
            when = minute(row.started_at)
        at = f"{row.stop}, " if row.machine_id in several else ""
        so_far = " so far: still running" if row.id in runs else ""
        words = f"{when}: {at}{method.title}, {cuts(row.trials)}{so_far}"
        of.series.append(_Series(row.id, row, words, frozenset(method.reveals)))
    return list(found.values()), LISTED if len(rows) > LISTED else None


def chosen(
    store: Connection, methods: Collection[str], listed: Sequence[_Machine], wanted: Sequence[str]
) -> list[str]:
    """What the lists show: the series asked for, each once; and until a person chooses the two
    that are proposed."""
    found: list[str] = []
    for text in wanted:
        with suppress(InvalidField):
            text = str(series_of(store, methods, "", text)) if text else ""
        found.append("" if text in found else text)
    return [*_proposed(store, listed, *found[:2]), *found[2:]]


def _proposed(store: Connection, listed: Sequence[_Machine], a: str, b: str) -> tuple[str, str]:
    """Two different series that show the same. A chosen one stays; an empty text where there is
    no other to compare it with.

    Of two machines the latest of each; of one the latest, with the one before its last change
    where one asks what that did, else with the one before.
    """
    if (a and b) or not listed:
        return a, b
    chosen = a or b
    if not chosen:
        machine, series = listed[0], listed[0].series[0]
        before = _of_one(store, series) if len(listed) == 1 else ""
        other = before or _counterpart(listed, machine, series)
        if any(str(each.id) == other for each in machine.series):
            return other, str(series.id)
        return str(series.id), other
    for machine in listed:
        for series in machine.series:
            if str(series.id) == chosen:
                other = _counterpart(listed, machine, series)
                return (chosen, other) if a else (other, chosen)
    return a, b


def _of_one(store: Connection, series: _Series) -> str:
    """The series before the last change of its machine, where one asks what that did."""
    question, before = asked(store, series.row)
    return "" if question is None or before is None else str(before)


def proposed_links(store: Connection, listed: Sequence[_Machine]) -> list[Link]:
    """Straight to an answer: two machines, and what happened to the latest one."""
    if not listed:
        return []
    machine, series = listed[0], listed[0].series[0]
    found = [
        Link(f"{machine.short}: {w.words[:1].lower()}{w.words[1:]}", w.address)
        for w in links(store, series.row)
    ]
    other = _counterpart(listed, machine, series)
    of = next((m for m in listed[1:] if other and str(m.series[0].id) == other), None)
    if of is not None:
        words = f"{machine.short} and {of.short}, the latest series of each"
        found.insert(0, Link(words, f"/compare?a={series.id}&b={other}"))
    return found


def _counterpart(listed: Sequence[_Machine], machine: _Machine, series: _Series) -> str:
    """What to compare a series with: another machine, else another series of this one."""
    for other in listed:
        if other is not machine and other.series[0].reveals & series.reveals:
            return str(other.series[0].id)
    for each in machine.series:
        if each is not series and each.reveals & series.reveals:
            return str(each.id)
    return ""


def series_of(store: Connection, methods: Collection[str], field: str, text: str) -> UUID:
    """The series that `text` names, or the latest with a trial of the machine it names."""
    try:
        wanted = UUID(text)
    except ValueError:
        raise InvalidField(field, "choose one from the list") from None
    return latest_of_machine(store, wanted, methods) or wanted
