"""The calipers that the store has ever heard."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from threading import Lock
from typing import Any, TypeVar, cast
from weakref import WeakKeyDictionary

from sqlalchemy import Connection, Engine, Row, func, select
from sqlalchemy.orm import InstrumentedAttribute

from analysis.units import Unit
from api.store.tables import Bench, Caliper, Reading

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class SaidOfCaliper:
    """What was said of a caliper, called `name`, under all names it is heard under. rows: the ids
    of these. retired_at: None where it is in the lists; the others None where not said."""

    name: str
    rows: tuple[int, ...]
    heard_as: tuple[str, ...]
    first_heard: datetime
    jaw_width_nm: int | None
    note: str | None
    readings_unit: str | None
    retired_at: datetime | None
    check_days: int | None
    certificate: str | None


@dataclass(frozen=True, slots=True)
class KnownCaliper:
    """A caliper by its readings, called `name`, and the names it is heard under. `bench`: where it
    was heard last; None and no `last_heard` where nothing it sent was a reading. jaw_width_nm:
    None where it is not said."""

    name: str
    first_heard: datetime
    readings: int
    bench: str | None
    last_heard: datetime | None
    jaw_width_nm: int | None
    heard_as: tuple[str, ...]
    note: str | None
    readings_unit: str | None
    retired: bool
    check_days: int | None
    certificate: str | None


def known_calipers(connection: Connection) -> list[KnownCaliper]:
    """All calipers, by name."""
    with _LOCK:
        tally = _TALLIES.setdefault(connection.engine, _Tally())
        heard = tally.brought_up_to_date(connection)
    found = []
    for said in said_of_calipers(connection):
        benches = [each for row in said.rows for each in heard.get(row, {}).items()]
        bench, latest = max(benches, key=lambda each: each[1].last_heard, default=(None, None))
        found.append(
            KnownCaliper(
                said.name,
                said.first_heard,
                sum(each.readings for _, each in benches),
                bench,
                latest.last_heard if latest else None,
                said.jaw_width_nm,
                said.heard_as,
                said.note,
                said.readings_unit,
                said.retired_at is not None,
                said.check_days,
                said.certificate,
            )
        )
    return found


def said_of_calipers(connection: Connection) -> list[SaidOfCaliper]:
    """What was said of every caliper, by name."""
    together: dict[str, list[Row[Any]]] = {}
    for row in connection.execute(select(Caliper.__table__).order_by(Caliper.id)):
        together.setdefault(row.shown, []).append(row)
    found = [
        SaidOfCaliper(
            shown,
            tuple(row.id for row in rows),
            tuple(row.name for row in rows),
            min(row.first_heard_at for row in rows),
            next((row.jaw_width_nm for row in rows if row.jaw_width_nm is not None), None),
            next((row.note for row in rows if row.note), None),
            next((row.readings_unit for row in rows if row.readings_unit), None),
            _retired_at(rows),
            next((row.check_days for row in rows if row.check_days is not None), None),
            next((row.certificate for row in rows if row.certificate), None),
        )
        for shown, rows in together.items()
    ]
    return sorted(found, key=lambda each: (each.name.casefold(), each.name))


def _retired_at(rows: Sequence[Row[Any]]) -> datetime | None:
    """One that is heard under several names is retired with the last of them."""
    moments = [row.retired_at for row in rows if row.retired_at is not None]
    return max(moments) if len(moments) == len(rows) else None


def heard_as(connection: Connection, name: str) -> list[str]:
    """The names under which the caliper is heard that is called so, or else heard so."""
    query = select(Caliper.name).order_by(Caliper.id)
    shown = connection.scalars(query.where(Caliper.shown == name)).all()
    if shown:
        return list(shown)
    called = select(Caliper.shown).where(Caliper.name == name).scalar_subquery()
    return list(connection.scalars(query.where(Caliper.shown == called)))


def heard_at_bench(connection: Connection, caliper_id: int) -> int | None:
    """The id of a bench that has heard it; None where nothing it sent was a reading."""
    return connection.scalar(
        select(Reading.bench_id).where(Reading.caliper_id == caliper_id).limit(1)
    )


def is_known(connection: Connection, name: str) -> bool:
    """Whether the store has ever heard a caliper that is called, or heard, so."""
    return bool(heard_as(connection, name))


def jaw_width_nm(connection: Connection, name: str) -> int | None:
    """Of the jaws of the caliper called so; None where it is not said, or not known."""
    return _said(connection, name, Caliper.jaw_width_nm)


def readings_unit(connection: Connection, name: str) -> Unit | None:
    """What a number without a unit counts that the caliper called so sent; None where it is not
    said, or the caliper not known."""
    return cast(Unit | None, _said(connection, name, Caliper.readings_unit))  # no other is stored


def _said(connection: Connection, name: str, column: InstrumentedAttribute[_T | None]) -> _T | None:
    """What was said of a caliper first, under any name that it is heard under."""
    return connection.scalar(
        select(column)
        .where(Caliper.name.in_(heard_as(connection, name)), column.is_not(None))
        .order_by(Caliper.id)
        .limit(1)
    )


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
