"""Answers as they were sent, kept until what they rest on changes.

Whatever changes a series, its trials or the studies of its calipers makes an event, so the number
of the store's latest event says whether an answer still holds, whichever process wrote.
"""

from __future__ import annotations

import operator
import threading
from collections import OrderedDict, defaultdict
from collections.abc import Callable, Collection, Hashable, Sequence
from functools import cache, partial
from typing import Any, Final
from uuid import UUID

from pydantic import TypeAdapter
from sqlalchemy import Connection, Row

from api.answers import history, series
from api.answers.checks import STUDIES
from api.answers.good_until import basis
from api.store.rows.events import last_event_id, series_changed
from api.store.rows.machines import measured_machines
from api.store.rows.stops import every_stop
from api.store.stamps import now
from api.web import convert
from api.web.convert.history import KeptStanding
from api.web.shapes.history import StopStandingOut

_MOST_BYTES: Final = 8_000_000


class KeptAnswers:
    """The latest answers, at most some megabytes of them. Safe to call from any thread."""

    def __init__(self, most_bytes: int = _MOST_BYTES) -> None:
        self._most_bytes = most_bytes
        self._lock = threading.Lock()
        self._kept: OrderedDict[Hashable, tuple[int, bytes]] = OrderedDict()
        self._bytes = 0

    def get(
        self,
        connection: Connection,
        asked: Hashable,
        answer: Callable[[], bytes],
        holds: Callable[[int, int], bool] = operator.eq,
        latest: int | None = None,
    ) -> bytes:
        """The answer to `asked`: the kept one if it still holds, else a new one.

        `answer` reads from `connection`. holds: whether an answer that was made when the first was
        the number of the latest event holds now that the second is; by itself if nothing happened.
        latest: that number, where it was read already.
        """
        # Before answering: an answer may be newer than its number says, and never older.
        number = last_event_id(connection) if latest is None else latest
        with self._lock:
            known = self._kept.get(asked)
        if known is not None and holds(known[0], number):
            with self._lock:
                if self._kept.get(asked) is known:
                    self._kept[asked] = (number, known[1])
                    self._kept.move_to_end(asked)
            return known[1]
        made = answer()
        with self._lock:
            self._forget(asked)
            if len(made) > self._most_bytes:
                return made
            self._kept[asked] = (number, made)
            self._bytes += len(made)
            while self._bytes > self._most_bytes:
                self._forget(next(iter(self._kept)))
        return made

    def _forget(self, asked: Hashable) -> None:
        known = self._kept.pop(asked, None)
        if known is not None:
            self._bytes -= len(known[1])


def series_body(
    store: Connection, kept: KeptAnswers, series_id: UUID, latest: int | None = None
) -> bytes:
    """A series as it is sent; latest as of `KeptAnswers.get`. Raises NotFound where there is
    none."""

    def answer() -> bytes:
        return convert.series_out(series.series(store, series_id)).model_dump_json().encode()

    return kept.get(store, series_id, answer, latest=latest)


_STANDINGS: Final = TypeAdapter(list[KeptStanding])


def standings_of(
    store: Connection, kept: KeptAnswers, machines: Sequence[Row[Any]]
) -> list[list[StopStandingOut]]:
    """How the stops of each of these machines are today, from its whole history; of one that was
    measured before, kept until something happens to it.

    Ages and dates are put into words anew. A running series knows the studies of its calipers by
    the month, so its month is asked for too.
    """
    moment = now()
    stops: dict[UUID, list[UUID]] = defaultdict(list)
    for stop in every_stop(store):
        stops[stop.machine_id].append(stop.id)
    latest = last_event_id(store)
    measured = measured_machines(store)
    changed = cache(partial(series_changed, store))

    def standing(machine_id: UUID) -> bytes:
        def answer() -> bytes:
            found = history.read(store, machine_id)
            out = [
                KeptStanding.of(each, basis(each.state, found.drift, each.stop.check_days))
                for each in found.state.stops
            ]
            return _STANDINGS.dump_json(out)

        def holds(then: int, number: int) -> bool:
            return then == number or _leaves(machine_id, changed(then, number))

        # What is said of a machine that no bench measured makes no event, nor does a new stop.
        if machine_id not in measured:
            return answer()
        asked = ("stops", machine_id, moment.year, moment.month, *stops[machine_id])
        return kept.get(store, asked, answer, holds, latest)

    every = [_STANDINGS.validate_json(standing(machine.id)) for machine in machines]
    return [[each.on(moment) for each in stops] for stops in every]


def standings_by_stop(
    store: Connection, kept: KeptAnswers, machines: Sequence[Row[Any]]
) -> dict[UUID, StopStandingOut]:
    """The same by the ids of the stops."""
    return {each.stop.id: each for stops in standings_of(store, kept, machines) for each in stops}


def _leaves(machine_id: UUID, changed: Collection[tuple[UUID, str]] | None) -> bool:
    """Whether what is known of a machine is as it was before these series changed, each with its
    machine and method; None for what may concern any. A study of a caliper may, too."""
    return changed is not None and not any(
        of == machine_id or method in STUDIES for of, method in changed
    )
