"""The calipers that the store has ever heard."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from threading import Lock
from weakref import WeakKeyDictionary

from sqlalchemy import Connection, Engine, func, select

from api.store.tables import Bench, Caliper, Reading


@dataclass(frozen=True, slots=True)
class KnownCaliper:
    """A caliper by its readings. `bench`: where it was heard last; None and no `last_heard`
    where nothing it sent was a reading. jaw_width_nm: None where it is not said."""

    name: str
    first_heard: datetime
    readings: int
    bench: str | None
    last_heard: datetime | None
    jaw_width_nm: int | None


def known_calipers(connection: Connection) -> list[KnownCaliper]:
    """All calipers, by name."""
    with _LOCK:
        tally = _TALLIES.setdefault(connection.engine, _Tally())
        heard = tally.brought_up_to_date(connection)
    found = []
    for row in connection.execute(select(Caliper.__table__)):
        by_bench = heard.get(row.id, {})
        bench, latest = max(
            by_bench.items(), key=lambda each: each[1].last_heard, default=(None, None)
        )
        found.append(
            KnownCaliper(
                row.name,
                row.first_heard_at,
                sum(each.readings for each in by_bench.values()),
                bench,
                latest.last_heard if latest else None,
                row.jaw_width_nm,
            )
        )
    return sorted(found, key=lambda each: (each.name.casefold(), each.name))


def is_known(connection: Connection, name: str) -> bool:
    """Whether the store has ever heard a caliper of that name."""
    return connection.scalar(select(Caliper.id).where(Caliper.name == name)) is not None


def jaw_width_nm(connection: Connection, name: str) -> int | None:
    """Of the jaws of the caliper called so; None where it is not said, or not known."""
    return connection.scalar(select(Caliper.jaw_width_nm).where(Caliper.name == name))


def shown_names(connection: Connection) -> dict[str, str]:
    """What calipers are called, by the names they are heard under, where it is not the same."""
    query = select(Caliper.name, Caliper.shown).where(Caliper.shown != Caliper.name)
    return {row.name: row.shown for row in connection.execute(query)}


@dataclass(frozen=True, slots=True)
class _Heard:
    readings: int
    last_heard: datetime


class _Tally:
    """The counts of a store's readings, by caliper and bench, and up to which number.

    Readings are only ever added, each bench's in the order of its numbers: so nothing is counted
    twice, and only what was added since the last time is read. An index would not help: counting
    a million of its entries takes as long.
    """

    def __init__(self) -> None:
        self._upto: dict[int, int] = {}
        self._heard: dict[int, dict[str, _Heard]] = {}

    def brought_up_to_date(self, connection: Connection) -> dict[int, dict[str, _Heard]]:
        """By caliper's id and bench's name."""
        for bench in connection.execute(select(Bench.id, Bench.name, Bench.last_seq)).all():
            before = self._upto.get(bench.id, 0)
            if bench.last_seq <= before:
                continue
            new = connection.execute(
                select(
                    Reading.caliper_id,
                    func.count().label("readings"),
                    func.max(Reading.taken_at).label("last_heard"),
                )
                .where(
                    Reading.bench_id == bench.id,
                    Reading.seq > before,
                    Reading.seq <= bench.last_seq,
                )
                .group_by(Reading.caliper_id)
            ).all()
            for row in new:
                by_bench = self._heard.setdefault(row.caliper_id, {})
                known = by_bench.get(bench.name, _Heard(0, row.last_heard))
                by_bench[bench.name] = _Heard(
                    known.readings + row.readings, max(known.last_heard, row.last_heard)
                )
            self._upto[bench.id] = bench.last_seq
        return {caliper: dict(by_bench) for caliper, by_bench in self._heard.items()}


_TALLIES: WeakKeyDictionary[Engine, _Tally] = WeakKeyDictionary()
_LOCK = Lock()
