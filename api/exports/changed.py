"""Which rows a pull of what is new brings: those that events name, and all that a correction of
their series, machine or caliper changed."""

from __future__ import annotations

from typing import Any, Final

from sqlalchemy import Connection, Select, exists, func, or_, select, union
from sqlalchemy.orm import aliased

from api.exports.wanted import Wanted
from api.store.act_rows import BEGINNING, TURNING
from api.store.tables import Act, Caliper, Change, Event, Reading, Series, Trial, TrialReading

_NO_END: Final = 2**62


def changed_trials(connection: Connection, wanted: Wanted) -> Select[Any]:
    """The ids of the trials that changed after `wanted.after`, each once."""
    parts = [wanted.subjects_of("trial")]
    if series := _series(connection, wanted):
        parts.append(select(Trial.id).where(or_(*(Trial.series_id.in_(each) for each in series))))
    if names := _renamed(connection, wanted):
        parts.append(
            select(TrialReading.trial_id)
            .join(Reading, Reading.id == TrialReading.reading_id)
            .where(_read_by(names))
        )
    return _distinct(parts)


def changed_readings(connection: Connection, wanted: Wanted) -> Select[Any]:
    """The ids of the readings that are new, or otherwise now, after `wanted.after`, each once."""
    parts = [wanted.subjects_of("reading")]
    if _any(connection, wanted, "fate"):
        parts.append(wanted.subjects_of("fate"))
    for series in _series(connection, wanted):
        parts.append(_heard_in(series))
        parts.append(
            select(TrialReading.reading_id)
            .join(Trial, Trial.id == TrialReading.trial_id)
            .where(Trial.series_id.in_(series))
        )
    if names := _renamed(connection, wanted):
        parts.append(select(Reading.id).where(_read_by(names)))
    return _distinct(parts)


def corrected_series(connection: Connection, wanted: Wanted) -> Select[Any] | None:
    """The ids of the series that were corrected after `wanted.after`, or whose machine was; None
    where none was."""
    series = _series(connection, wanted)
    return _distinct(series) if series else None


# A condition on events that there are none of would still cost a plan that looks at every row.
def _any(connection: Connection, wanted: Wanted, kind: str) -> bool:
    return connection.scalar(wanted.subjects_of(kind).limit(1)) is not None


def _series(connection: Connection, wanted: Wanted) -> list[Select[Any]]:
    if not wanted.after:  # each row has an event of its own, and comes anyhow
        return []
    found: list[Select[Any]] = []
    if _any(connection, wanted, "series"):
        found.append(wanted.subjects_of("series"))
    if _any(connection, wanted, "machine"):
        machines = wanted.subjects_of("machine")
        found.append(select(Series.id).where(Series.machine_id.in_(machines)))
    return found


def _renamed(connection: Connection, wanted: Wanted) -> list[str]:
    """The names under which calipers are heard that are called otherwise now."""
    events = select(Event.data).where(Event.kind == "caliper name", Event.id > (wanted.after or 0))
    return sorted({data["caliper"] for data in connection.scalars(events)})


def _read_by(names: list[str]) -> Any:
    return Reading.caliper_id.in_(select(Caliper.id).where(Caliper.name.in_(names)))


def _heard_in(series: Select[Any]) -> Select[Any]:
    """The readings that were kept while one of these series ran."""
    begun, following = aliased(Act), aliased(Act)
    end = (
        select(func.min(following.seq))
        .where(
            following.bench_id == begun.bench_id,
            following.seq > begun.seq,
            following.kind.in_(TURNING),
        )
        .correlate(begun)
        .scalar_subquery()
    )
    return (
        select(Reading.id)
        .select_from(begun)
        .join(Reading, Reading.bench_id == begun.bench_id)
        .where(
            begun.series_id.in_(series),
            begun.kind.in_(BEGINNING),
            Reading.seq > begun.seq,
            Reading.seq < func.coalesce(end, _NO_END),
        )
    )


def _distinct(parts: list[Select[Any]]) -> Select[Any]:
    if len(parts) == 1:
        return parts[0]
    return select(union(*parts).subquery().c[0])


def any_moved(connection: Connection) -> bool:
    """Whether a trial was ever moved to another series."""
    return bool(connection.scalar(select(exists().where(Change.field == "moved"))))
