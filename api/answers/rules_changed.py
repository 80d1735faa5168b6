"""Which series read otherwise than before, since the program gives verdicts by other rules.

Verdicts are never stored. A store keeps the number of the rules that it was last read by; where the
program's is greater, each series' verdict by today's rules is compared once with what those before
them make of the same score.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from threading import Event
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection

from analysis import first_rules
from analysis.conformity import Verdict
from analysis.methods import Quantity
from analysis.rules import CHANGED, RULES
from api.answers import checks
from api.answers.checks import CheckedSeries
from api.store.facts import method_of
from api.store.rows import rules as rows
from api.store.rows.checks import series as series_rows
from api.store.rows.checks import with_ids

Reading = Callable[[], AbstractContextManager[Connection]]
_Verdict = Callable[..., Verdict | None]

# How verdicts were given by the rules of each number before today's.
_BEFORE: Final[Mapping[int, _Verdict]] = {1: first_rules.verdict}
# Series compared at once; between two times the others have their turn.
_AT_ONCE: Final = 200
_PAUSE_S: Final = 0.05
# A store with more series than can be compared in this time is told so.
_MOST_S: Final = 120.0
# More are counted, not listed.
_LISTED: Final = 1000


@dataclass(frozen=True, slots=True)
class ChangedVerdict:
    """One quantity of a series whose verdict became another one."""

    series: UUID
    machine: str
    method: str
    at: datetime
    quantity: Quantity
    trials: int
    was: Verdict
    now: Verdict


@dataclass(frozen=True, slots=True)
class RulesChanged:
    """What the rules `rules` changed in this store. series: how many read otherwise, of `compared`;
    left: how many were not compared. verdicts: those listed, the newest series first."""

    rules: int
    why: str
    said_at: datetime
    compared: int
    left: int
    series: int
    verdicts: tuple[ChangedVerdict, ...]


def meet_rules(reading: Reading, over: Event, clock: Callable[[], float] = time.monotonic) -> Any:
    """What today's rules change in the store, as `tables.RulesSaid.changed` keeps it: None where
    nothing can be compared.

    Series by series, the newest first, until `over` is set or two minutes have passed.
    """
    with reading() as connection:
        last = rows.last_said(connection)
        ids = rows.judged(connection)
    before = _BEFORE.get(1 if last is None else last.rules)
    if before is None or not ids:
        return None
    end = clock() + _MOST_S
    compared, found, series = 0, list[dict[str, Any]](), 0
    while compared < len(ids) and clock() < end and not over.wait(_PAUSE_S):
        some = ids[compared : compared + _AT_ONCE]
        with reading() as connection:
            for of in reversed(checks.with_ids(connection, some)):
                changed = _changed(of, before)
                series += bool(changed)
                found += changed
        compared += len(some)
    left = len(ids) - compared
    return {"compared": compared, "left": left, "series": series, "verdicts": found[:_LISTED]}


def _changed(of: CheckedSeries, before: _Verdict) -> list[dict[str, Any]]:
    found = []
    for check in of.checks.values():
        was = before(of.facts.method, check.trials, check.mean, check.expanded, check.tolerance)
        if was is not None and was != check.verdict:
            found.append(
                {
                    "series": str(of.id),
                    "quantity": check.quantity,
                    "trials": check.trials,
                    "was": was,
                    "now": check.verdict,
                }
            )
    return found


def rules_changed(connection: Connection) -> RulesChanged | None:
    """What is still to be told of the rules that this store was last read by; None where nothing
    is: no verdict changed, or a person has seen it."""
    last = rows.last_said(connection)
    if last is None or last.seen_at is not None or not last.changed:
        return None
    listed = last.changed.get("verdicts") or []
    if not listed:
        return None
    chosen = with_ids([UUID(v["series"]) for v in listed])
    of = {row.id: row for row in series_rows(connection, chosen)}
    return RulesChanged(
        rules=last.rules,
        why=CHANGED.get(last.rules, ""),
        said_at=last.said_at,
        compared=last.changed["compared"],
        left=last.changed["left"],
        series=last.changed["series"],
        verdicts=tuple(
            ChangedVerdict(
                series=row.id,
                machine=row.machine_name,
                method=method_of(row).title,
                at=row.started_at,
                quantity=v["quantity"],
                trials=v["trials"],
                was=v["was"],
                now=v["now"],
            )
            for v in listed
            if (row := of.get(UUID(v["series"]))) is not None
        ),
    )


def up_to_date(connection: Connection) -> bool:
    """Whether today's rules, or later ones, have met this store already."""
    last = rows.last_said(connection)
    return last is not None and last.rules >= RULES
