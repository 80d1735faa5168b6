"""The rows of the Machines page: what asks most for something to be done comes first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row

from api.answers.moments import ago
from api.answers.urgency import Urgency, asks_first
from api.store.stamps import now
from api.web.convert.history import most_urgent, stop_urgencies, urgency_of
from api.web.kept import KeptAnswers, standings_of
from api.web.shapes.history import StopStandingOut


@dataclass(frozen=True, slots=True)
class ListedMachine:
    """A machine (a row of `tables.Machine`) and its stop that asks first for something to be done.

    several: whether it has other stops; alike: the names of those that ask for the same, where
    that is more than a check one day. age: of what is known, in words; empty where nothing is.
    words: all by which it is found.
    """

    machine: Row[Any]
    urgency: Urgency
    of: StopStandingOut
    several: bool
    alike: list[str]
    age: str
    words: str


def listed(
    store: Connection, kept: KeptAnswers, machines: Sequence[Row[Any]]
) -> list[ListedMachine]:
    """These machines as the page lists them, the most urgent first."""
    every = list(zip(machines, standings_of(store, kept, machines), strict=True))
    every.sort(key=lambda each: asks_first(urgency_of(each[1]), stop_urgencies(each[1])))
    return [_row(machine, stops) for machine, stops in every]


def _row(machine: Row[Any], stops: Sequence[StopStandingOut]) -> ListedMachine:
    of, urgency = most_urgent(stops), urgency_of(stops)
    others = [each for each in stops if each.stop.id != of.stop.id and each.result]
    alike = [each.stop.name for each in others if each.urgency == urgency != "good enough"]
    works = [each.result.work for each in stops if each.result and each.result.work]
    return ListedMachine(
        machine,
        urgency,
        of,
        len(stops) > 1,
        alike,
        ago(of.checked_at, now()) if of.checked_at else "",
        " ".join([machine.name, machine.kind, *(each.stop.name for each in stops), *works]),
    )
