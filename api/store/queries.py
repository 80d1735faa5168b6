"""Questions to the store, answered in the shapes that go out. Nothing here writes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

import numpy as np
from sqlalchemy import Connection, Row, Select, func, select

from analysis.score import SeriesFacts
from analysis.units import Unit, mm
from api import scoring, second_look
from api.shapes import (
    BenchOut,
    CaliperOut,
    MachineOut,
    NextOut,
    ReadingOut,
    RefusalOut,
    ScoreOut,
    SeriesHead,
    SeriesOut,
    ToleranceOut,
    TrialOut,
    TrialReadingOut,
)
from api.store.aside import aside
from api.store.earlier import found_before
from api.store.facts import facts_of, method_of, resolution_mm
from api.store.journal import NotThere
from api.store.log import reading_of
from api.store.studies import Study, study_of
from api.store.tables import (
    Bench,
    Caliper,
    Event,
    Machine,
    Reading,
    Refusal,
    Series,
    SetupChange,
    Trial,
    TrialReading,
)
from capture import pairing, records

_SERIES_WITH_NAMES: Select[Any] = (
    select(
        Series.__table__,
        Bench.name.label("bench"),
        Machine.name.label("machine_name"),
        Machine.kind.label("machine_kind"),
        Machine.created_at.label("machine_created_at"),
    )
    .join(Bench, Bench.id == Series.bench_id)
    .join(Machine, Machine.id == Series.machine_id)
)
_READINGS_WITH_NAMES: Select[Any] = (
    select(Reading.__table__, Caliper.name.label("caliper"), Bench.name.label("bench"))
    .join(Caliper, Caliper.id == Reading.caliper_id)
    .join(Bench, Bench.id == Reading.bench_id)
)


# ---------------------------------------------------------------- machines


def machines(
    connection: Connection, *, after: UUID | None = None, limit: int | None = None
) -> list[MachineOut]:
    """Machines by name: all, or so many of those that follow the machine `after`.

    Raises NotThere where no machine has the id `after`.
    """
    query = select(Machine.__table__).order_by(Machine.name).limit(limit)
    if after is not None:
        query = query.where(Machine.name > machine(connection, after).name)
    return [MachineOut.model_validate(row) for row in connection.execute(query)]


def machine(connection: Connection, machine: UUID | str) -> MachineOut:
    """The machine with this id, or else with this name.

    Raises NotThere where there is none.
    """
    query = select(Machine.__table__)
    if isinstance(machine, UUID):
        query = query.where(Machine.id == machine)
    else:
        query = query.where(Machine.name == machine)
    row = connection.execute(query).first()
    if row is None:
        raise NotThere(f"there is no machine {machine}; GET /api/machines lists them")
    return MachineOut.model_validate(row)


def setup_changes(connection: Connection, machine_id: UUID) -> Sequence[Row[Any]]:
    """What happened to a machine, the oldest first."""
    return connection.execute(
        select(SetupChange.__table__)
        .where(SetupChange.machine_id == machine_id)
        .order_by(SetupChange.at, SetupChange.id)
    ).all()


# ---------------------------------------------------------------- series and trials


def series_row(connection: Connection, series_id: UUID) -> Row[Any]:
    """A series with its bench's and machine's names.

    Raises NotThere where no series has that id.
    """
    row = connection.execute(_SERIES_WITH_NAMES.where(Series.id == series_id)).first()
    if row is None:
        raise NotThere("there is no series with that id")
    return row


def series_rows(connection: Connection, series: Collection[UUID]) -> dict[UUID, Row[Any]]:
    """The same of many series, by id."""
    found = connection.execute(_SERIES_WITH_NAMES.where(Series.id.in_(series)))
    return {row.id: row for row in found}


def series_head(row: Row[Any]) -> SeriesHead:
    return SeriesHead.model_validate(_head_fields(row))


def _head_fields(row: Row[Any]) -> dict[str, Any]:
    fields: dict[str, Any] = {
        name: getattr(row, name)
        for name in SeriesHead.model_fields
        if name not in ("machine", "tolerance")
    }
    fields["machine"] = MachineOut(
        id=row.machine_id,
        name=row.machine_name,
        kind=row.machine_kind,
        created_at=row.machine_created_at,
    )
    tolerance = ToleranceOut(
        deg=row.tolerance_deg,
        gap=row.tolerance_gap,
        joint=row.tolerance_joint,
        length=row.tolerance_length,
        nominal=row.tolerance_nominal,
    )
    fields["tolerance"] = tolerance if any(tolerance.model_dump().values()) else None
    return fields


def series(connection: Connection, series_id: UUID) -> SeriesOut:
    """A series whole: its settings, trials and score.

    Raises NotThere where no series has that id.
    """
    row = series_row(connection, series_id)
    trials, readings = _trials(connection, row)
    facts, study = _facts(connection, row, trials, readings)
    numbers = [t.number for t in trials if t.state == "complete"]
    return SeriesOut(
        **_head_fields(row),
        trials=[_trial_out(row, t, readings[t.id]) for t in trials],
        score=scoring.score_out(facts, study),
        doubts=second_look.doubts_out(facts, numbers, found_before(connection, row)),
        trend=second_look.trend_out(facts),
        aside=aside(connection, row),
    )


def score(connection: Connection, series_id: UUID) -> ScoreOut:
    """What the trials of a series say.

    Raises NotThere where no series has that id.
    """
    row = series_row(connection, series_id)
    return scoring.score_out(*_facts(connection, row, *_trials(connection, row)))


def facts(connection: Connection, series_id: UUID) -> SeriesFacts:
    """What the analysis knows of a series: its complete trials, in order, and its calipers.

    Raises NotThere where no series has that id.
    """
    row = series_row(connection, series_id)
    return _facts(connection, row, *_trials(connection, row))[0]


def trial(connection: Connection, trial_id: UUID) -> TrialOut:
    """One trial; its state is "gone" since its last reading was taken back."""
    row = connection.execute(select(Trial.__table__).where(Trial.id == trial_id)).one()
    of_series = series_row(connection, row.series_id)
    return _trial_out(of_series, row, readings_by_trial(connection, Trial.id == trial_id)[trial_id])


def _trials(
    connection: Connection, series: Row[Any]
) -> tuple[Sequence[Row[Any]], dict[UUID, list[Row[Any]]]]:
    rows = connection.execute(
        select(Trial.__table__)
        .where(Trial.series_id == series.id, Trial.state != "gone")
        .order_by(Trial.number)
    ).all()
    return rows, readings_by_trial(connection, Trial.series_id == series.id)


def readings_by_trial(connection: Connection, condition: Any) -> dict[UUID, list[Row[Any]]]:
    """The readings of each trial under `condition`, in slot order."""
    found: dict[UUID, list[Row[Any]]] = defaultdict(list)
    query: Any = (
        select(
            TrialReading.trial_id,
            TrialReading.slot,
            TrialReading.place,
            Reading.id,
            Reading.sent,
            Reading.unit,
            Reading.nm,
            Reading.origin,
            Reading.taken_at,
            Caliper.name.label("caliper"),
        )
        .join(Trial, Trial.id == TrialReading.trial_id)
        .join(Reading, Reading.id == TrialReading.reading_id)
        .join(Caliper, Caliper.id == Reading.caliper_id)
        .where(condition)
        .order_by(TrialReading.trial_id, TrialReading.slot)
    )
    for row in connection.execute(query):
        found[row.trial_id].append(row)
    return found


def _trial_out(series: Row[Any], row: Row[Any], readings: Iterable[Row[Any]]) -> TrialOut:
    places = method_of(series).places
    return TrialOut(
        id=row.id,
        series=row.series_id,
        number=row.number,
        state=row.state,
        flags=[flag.replace("-", " ") for flag in row.flags.split()],
        readings=[
            TrialReadingOut(
                id=r.id,
                place=places[r.place].key,
                sent=r.sent,
                unit=r.unit,
                mm=mm(r.nm),
                caliper=r.caliper,
                origin=r.origin,
                taken_at=r.taken_at,
            )
            for r in readings
        ],
        deviation_mm=None if row.deviation_mm is None else float(row.deviation_mm),
        angle_deg=row.angle_deg,
        tilt_deg=row.tilt_deg,
        length_mm=row.length_mm,
        expanded_uncertainty_deg=row.expanded_uncertainty_deg,
        taken_at=row.taken_at,
    )


def _facts(
    connection: Connection,
    series: Row[Any],
    trials: Sequence[Row[Any]],
    readings: dict[UUID, list[Row[Any]]],
) -> tuple[SeriesFacts, Study]:
    found, calipers = measured(series, trials, readings)
    if found.method.judges != "machine":
        return found, Study()  # it is itself a study
    study = study_of(connection, calipers, series.finished_at or datetime.now(UTC))
    return study.told_to(found), study


def measured(
    series: Row[Any], trials: Iterable[Row[Any]], readings: Mapping[Any, Sequence[Row[Any]]]
) -> tuple[SeriesFacts, tuple[str, ...]]:
    """What the complete ones of `trials` tell by themselves, and the calipers that read them.

    readings: of each trial by its id (as the rows of `trials` give it), in slot order.
    """
    method = method_of(series)
    complete = [t for t in trials if t.state == "complete"]
    widths = np.full((len(complete), len(method.places), series.repeats), np.nan)
    sent: list[tuple[str, Unit]] = []
    calipers: dict[str, None] = {}
    for index, row in enumerate(complete):
        for r in readings[row.id]:
            widths[index, r.place, r.slot % series.repeats] = mm(r.nm)
            sent.append((r.sent, r.unit))
            calipers[r.caliper] = None
    return facts_of(series, widths, resolution_mm(sent)), tuple(calipers)


# ---------------------------------------------------------------- benches


def bench(
    connection: Connection, name: str, calipers: list[CaliperOut], pretend: bool = False
) -> BenchOut:
    """A bench as it stands; one that nobody has named yet stands empty."""
    # First: what is committed between two statements must not count as seen already.
    last_event = last_event_id(connection)
    row = connection.execute(select(Bench.__table__).where(Bench.name == name)).first()
    empty = BenchOut(
        name=name,
        series=None,
        next=None,
        last_reading=None,
        calipers=calipers,
        pretend=pretend,
        clock_behind_ms=row.clock_behind_ms if row else None,
        last_event=last_event,
    )
    if row is None:
        return empty
    head, following = None, None
    if row.series_id is not None:
        of_series = series_row(connection, row.series_id)
        head = series_head(of_series)
        following = _next(connection, of_series)
    last = connection.execute(
        select(Event.__table__)
        .where(Event.bench_id == row.id, Event.kind == "reading")
        .order_by(Event.id.desc())
        .limit(1)
    ).first()
    return empty.model_copy(
        update={
            "series": head,
            "next": following,
            "last_reading": reading(connection, last.subject, last.data) if last else None,
        }
    )


def _next(connection: Connection, series: Row[Any]) -> NextOut | None:
    """Where the next reading goes. The last trial alone decides, so the log need not be read."""
    method = method_of(series)
    layout = records.Layout(len(method.places), series.repeats, method.swap)
    last = connection.execute(
        select(Trial.id, Trial.number, Trial.swapped)
        .where(Trial.series_id == series.id, Trial.state != "gone")
        .order_by(Trial.number.desc())
        .limit(1)
    ).first()
    trials: tuple[pairing.Trial, ...] = ()
    if last is not None:
        slots: list[pairing.Placed | None] = [None] * (layout.places * layout.repeats)
        for row in connection.execute(
            _READINGS_WITH_NAMES.add_columns(TrialReading.slot)
            .join(TrialReading, TrialReading.reading_id == Reading.id)
            .where(TrialReading.trial_id == last.id)
        ):
            slots[row.slot] = pairing.Placed(reading_of(row), row.slot)
        trials = (pairing.Trial(last.number, tuple(slots), last.swapped),)
    following = pairing.next_place(pairing.State(series.id, layout, trials))
    if following is None:
        return None
    place = method.places[following.place]
    return NextOut(
        trial=following.trial,
        place=place.key,
        label=place.label,
        index=following.place,
        repeat=following.repeat,
        repeats=series.repeats,
    )


def bench_names(connection: Connection) -> list[str]:
    return list(connection.scalars(select(Bench.name).order_by(Bench.name)))


def reading(connection: Connection, reading_id: UUID, fate: dict[str, Any]) -> ReadingOut:
    """A reading and what became of it when it was kept."""
    row = connection.execute(_READINGS_WITH_NAMES.where(Reading.id == reading_id)).one()
    return ReadingOut(
        id=row.id,
        bench=row.bench,
        caliper=row.caliper,
        sent=row.sent,
        unit=row.unit,
        mm=mm(row.nm),
        taken_at=row.taken_at,
        origin=row.origin,
        **fate,
    )


def refusal(connection: Connection, refusal_id: UUID) -> RefusalOut:
    row = connection.execute(
        select(Refusal.__table__, Caliper.name.label("caliper"), Bench.name.label("bench"))
        .join(Caliper, Caliper.id == Refusal.caliper_id)
        .join(Bench, Bench.id == Refusal.bench_id)
        .where(Refusal.id == refusal_id)
    ).one()
    return RefusalOut(
        id=row.id,
        bench=row.bench,
        caliper=row.caliper,
        text=row.raw,
        reason=row.reason,
        heard_at=row.heard_at,
    )


# ---------------------------------------------------------------- events


def last_event_id(connection: Connection) -> int:
    """The number of the latest event of all benches, 0 before the first."""
    return connection.scalar(select(func.max(Event.id))) or 0


def events_after(
    connection: Connection, bench_name: str, after: int, limit: int = 500
) -> Sequence[Row[Any]]:
    """The next events of a bench after number `after`, in order, at most `limit`."""
    return connection.execute(
        select(Event.__table__)
        .join(Bench, Bench.id == Event.bench_id)
        .where(Bench.name == bench_name, Event.id > after)
        .order_by(Event.id)
        .limit(limit)
    ).all()
