"""What the set-up of a series proposes for a machine and a stop: what was done there last time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from sqlalchemy import Connection, Row

from analysis.conformity import Tolerance
from analysis.geometry import at_stop
from analysis.methods import Method
from api.answers.planned_strips import PlannedStrips, planned_strips
from api.answers.settings import TOLERANCES, AskedSeries, as_asked, new_series
from api.answers.usual_works import UsualWork, usual_called, usual_works
from api.answers.works import tolerance
from api.errors import InvalidField, NotFound
from api.store.facts import method_of, tolerance_of
from api.store.rows import series as rows
from api.store.rows.machines import machine as machine_row
from api.store.rows.machines import parse_id
from api.store.rows.stops import stops as stop_rows
from api.store.rows.works import work as work_row
from api.store.rows.works import works as work_rows

Work = Row[Any] | UsualWork

# Further back it is no longer "last time".
_LOOKED_AT: Final = 100


@dataclass(frozen=True, slots=True)
class ProposedWork:
    """before: whether this machine was measured for it. chosen: whether this series is to be."""

    work: Work
    before: bool
    chosen: bool


@dataclass(frozen=True, slots=True)
class Proposed:
    """machine, stop: None for a machine that is not on record yet. last: the row of the series that
    settings are taken from, None where there is none. settings: as they would be asked for; None
    where only method and unit of another machine are known. works: the chosen one first, then those
    of this machine, the latest first."""

    machine: Row[Any] | None
    stop: Row[Any] | None
    last: Row[Any] | None
    settings: AskedSeries | None
    works: tuple[ProposedWork, ...]
    strips: PlannedStrips

    @property
    def method(self) -> str | None:
        """The key of the method of the latest series, where it measures this stop."""
        if self.last is None:
            return None
        follows = method_of(self.last)
        nominal, bevel = _angles(self.stop)
        try:
            at_stop(follows, float(nominal), float(bevel))
        except ValueError:
            return None
        return follows.key


def proposed(
    connection: Connection,
    machine: Row[Any] | None,
    stop: Row[Any] | None,
    methods: Mapping[str, Method],
    work: str | None = None,
    method: str | None = None,
) -> Proposed:
    """The settings of the latest series of the stop, or else of the machine where they fit the
    stop, or else method and unit of the latest of all.

    machine, stop: None for a machine that is not on record yet. work: by id or name, what is to be
    made; None: what the latest series was measured for. method: settings are taken from series by
    it alone. Raises InvalidField for a work that there is not.
    """
    every: Sequence[Row[Any]] = ()
    if machine is not None:
        every = _of_machines(rows.latest_rows(connection, machine=machine.id, limit=_LOOKED_AT))
    earlier = [row for row in every if method in (None, row.method)]
    last, settings = _settings(connection, earlier, stop, methods, method)
    of_stop = [row for row in every if stop is not None and row.stop_id == stop.id]
    chosen = _chosen(connection, of_stop or every, work)
    limit = None if settings is None else tolerance_of(last)
    if chosen is not None:
        limit = _limit(chosen)
    same = last if last is not None and stop is not None and last.stop_id == stop.id else None
    noun = "strip"
    if last is not None:
        noun = method_of(last).noun
    elif method is not None and method in methods:
        noun = methods[method].noun
    return Proposed(
        machine,
        stop,
        last,
        settings if chosen is None or settings is None else _without_tolerance(settings),
        _works(connection, every, chosen),
        planned_strips(connection, same, limit, noun),
    )


def _settings(
    connection: Connection,
    earlier: Sequence[Row[Any]],
    stop: Row[Any] | None,
    methods: Mapping[str, Method],
    method: str | None,
) -> tuple[Row[Any] | None, AskedSeries | None]:
    """The series that settings are taken from, and its settings where they fit the stop. earlier:
    of the machine, the latest first."""
    if stop is not None:
        at_stop = [row for row in earlier if row.stop_id == stop.id]
        for row in [*at_stop[:1], *earlier[:1]]:
            settings = _fitting(row, stop, methods)
            if settings is not None:
                return row, settings
    others = earlier or [
        row
        for row in _of_machines(rows.latest_rows(connection, limit=_LOOKED_AT))
        if method in (None, row.method)
    ]
    return next(iter(others), None), None


def _angles(stop: Row[Any] | None) -> tuple[str, str]:
    """A machine that is not on record yet will have `square` alone."""
    return ("0", "0") if stop is None else (stop.nominal_deg, stop.bevel_deg)


def to_begin_with(
    connection: Connection, ended: Row[Any] | None
) -> tuple[Row[Any] | None, Row[Any] | None]:
    """The machine and the stop that a set-up begins with: those of the series that ended last at
    the bench, else of the latest of all; None where these are not listed any more.

    ended: a row of `tables.Series`.
    """
    last = ended or next(iter(rows.latest_rows(connection, limit=1)), None)
    if last is None:
        return None, None
    of = machine_row(connection, last.machine_id)
    if of.retired_at is not None:
        return None, None
    listed = stop_rows(connection, of.id)
    same = (stop for stop in listed if stop.id == last.stop_id)
    return of, next(same, next(iter(listed), None))


def find_work(connection: Connection, text: str) -> Work:
    """A work by id or name, which may be a usual one that the store does not have yet.

    Raises NotFound where there is none.
    """
    try:
        return work_row(connection, parse_id(text))
    except NotFound:
        usual = usual_called(text)
        if usual is None:
            raise
        return usual


def _of_machines(found: Sequence[Row[Any]]) -> list[Row[Any]]:
    """Of these series those that tell of a machine, not of a caliper or a hand."""
    return [row for row in found if method_of(row).judges == "machine"]


def _fitting(row: Row[Any], stop: Row[Any], methods: Mapping[str, Method]) -> AskedSeries | None:
    """The settings of a series for another at this stop; None where they cannot be measured there,
    such as a method that does not reach its angle."""
    follows = method_of(row)
    known = {**methods, follows.key: follows}
    nominal, bevel = _angles(stop)
    asked = replace(
        as_asked(dict(row._mapping)),
        stop_id=stop.id,
        strips=None,
        note=None,
        nominal_deg=nominal,
        bevel_deg=bevel,
    )
    try:
        new_series(asked, row.machine_id, known, row.jaw_width_nm)
    except InvalidField:
        return None
    return asked


def _without_tolerance(asked: AskedSeries) -> AskedSeries:
    none: dict[str, Any] = dict.fromkeys(TOLERANCES)
    return replace(asked, **none)


def _chosen(connection: Connection, earlier: Sequence[Row[Any]], work: str | None) -> Work | None:
    if work is not None:
        try:
            return find_work(connection, work)
        except NotFound as error:
            raise InvalidField("work", str(error)) from None
    last = earlier[0].work_id if earlier else None
    return None if last is None else work_row(connection, last)


def _limit(work: Work) -> Tolerance:
    names = ("tolerance_deg", "unit", "gap", "joint")
    return tolerance({name: getattr(work, name) for name in names})


def _works(
    connection: Connection, earlier: Sequence[Row[Any]], chosen: Work | None
) -> tuple[ProposedWork, ...]:
    known = {row.id: row for row in work_rows(connection)}
    used = [i for i in dict.fromkeys(row.work_id for row in earlier) if i in known]
    every: list[Work] = [] if chosen is None else [chosen]
    every += [known[each] for each in used]
    every += known.values()
    every += usual_works(connection)
    before = {known[each].name for each in used}
    once: dict[str, Work] = {}
    for each in every:
        once.setdefault(each.name, each)
    return tuple(
        ProposedWork(each, name in before, chosen is not None and name == chosen.name)
        for name, each in once.items()
    )
