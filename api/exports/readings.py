"""Readings, one row each, as they were sent: what was sent never changes. Which series a reading
belongs to, and the unit in which that reads it, may be corrected.

The trials say which readings count: a trial lists its readings, and those that were taken back or
set aside are in none; `fate` says why.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from sqlalchemy import Connection, Select, func, select

from analysis.units import Unit
from api.exports.changed import any_moved, changed_readings
from api.exports.columns import (
    Blocks,
    Column,
    Join,
    Table,
    group_id_texts,
    id_texts,
    length_text,
    moment_texts,
)
from api.exports.wanted import Wanted, fetch
from api.store.act_rows import TURNING
from api.store.authors import name_of
from api.store.rows.readings import FATE
from api.store.statements import as_sent
from api.store.tables import Act, Bench, Caliper, Machine, Reading, Series, Trial, TrialReading
from capture.values import read_line

TABLE: Final = Table(
    name="readings",
    title="Readings: one value each, as it was sent",
    columns=(
        Column("reading_id", "id", "the reading; the same in every pull"),
        Column("bench", "name", "where it was taken"),
        Column("seq", "integer", "its place in the bench's own order of readings and acts"),
        Column(
            "series_id",
            "id",
            "the series that ran then, or that its trial was moved to; empty if none",
        ),
        Column("machine", "name", "the machine of that series"),
        Column("method", "word", "the method of that series"),
        Column("caliper", "name", "the instrument, as it is called now"),
        Column("sent", "name", "the line as the instrument sent it"),
        Column("unit", "word", "mm or in: what its series reads the line's number in"),
        Column("reading_mm", "decimal", "the length it says, exact", "mm"),
        Column("taken_at", "moment", "when it was taken by the bench's clock, in UTC"),
        Column("kept_at", "moment", "when the store kept it, in UTC"),
        Column(
            "origin",
            "word",
            "button, keys (of a keyboard caliper), typed (by hand) or imported (old notes)",
        ),
        Column("late", "truth", "whether it was held back before it reached the bench"),
        Column(
            "fate",
            "word",
            "what became of it: counted; left out, with its trial; taken back; closed jaws, which"
            " took the one before back; bounced, the same press sent twice; awaiting an answer;"
            " replaced by the one after it; in no trial, where no series ran",
        ),
        Column("through", "name", "the token or device that handed it over; empty: none had to"),
    ),
    key=("reading_id",),
    joins=(Join("series_id", "series", "series_id"), Join("caliper", "calipers", "caliper")),
)


def blocks(connection: Connection, wanted: Wanted, by_moment: bool = False) -> Blocks:
    """The readings wanted, bench by bench in the bench's order, or else by the moment taken.

    With `after`, those kept since, including those that count in no trial.
    """
    for block in fetch(connection, _query(connection, wanted, by_moment)):
        ids, benches, seqs, series, machines, methods, calipers, sent, units, nm, *rest = block
        taken, kept, origins, late, read_in, fates, through = rest
        yield [
            id_texts(ids),
            benches,
            seqs,
            group_id_texts(series),
            machines,
            methods,
            calipers,
            sent,
            *_lengths(sent, units, nm, read_in),
            moment_texts(taken),
            moment_texts(kept),
            origins,
            [bool(v) for v in late],
            fates,
            through,
        ]


def _lengths(
    sent: Sequence[str], units: Sequence[Unit], nm: Sequence[int], read_in: Sequence[Unit | None]
) -> tuple[Sequence[Unit], list[str | None]]:
    """Units and lengths as the series of each reading reads it."""
    if any(read_in):
        read = [read_line(*each) for each in zip(sent, units, nm, read_in, strict=True)]
        units, nm = [unit for unit, _ in read], [n for _, n in read]
    return units, [length_text(n) for n in nm]


def _query(connection: Connection, wanted: Wanted, by_moment: bool) -> Select[Any]:
    # The log says what ran when the reading was kept, and it never changes: the latest act
    # before it that started a series, resumed one, or ended one (which names none).
    ran = (
        select(Act.series_id)
        .where(
            Act.bench_id == Reading.bench_id,
            Act.seq < Reading.seq,
            Act.kind.in_(TURNING),
        )
        .order_by(Act.seq.desc())
        .limit(1)
        .correlate(Reading)
        .scalar_subquery()
    )
    belongs: Any = ran
    moved = any_moved(connection)
    if moved:
        belongs = func.coalesce(Trial.series_id, ran)
    query = (
        select(
            as_sent(Reading.id),
            Bench.name,
            Reading.seq,
            as_sent(Series.id),
            Machine.name,
            Series.method,
            Caliper.shown,
            Reading.sent,
            Reading.unit,
            Reading.nm,
            as_sent(Reading.taken_at),
            as_sent(Reading.kept_at),
            Reading.origin,
            Reading.late,
            Series.readings_unit,
            FATE,
            name_of(Reading.pass_id, "through"),
        )
        .select_from(Reading)
        .outerjoin(Bench, Bench.id == Reading.bench_id)
        .outerjoin(Caliper, Caliper.id == Reading.caliper_id)
    )
    if moved:
        query = query.outerjoin(TrialReading, TrialReading.reading_id == Reading.id).outerjoin(
            Trial, Trial.id == TrialReading.trial_id
        )
    query = query.outerjoin(Series, Series.id == belongs).outerjoin(
        Machine, Machine.id == Series.machine_id
    )
    query = wanted.of_series(query)
    if wanted.since is not None:
        query = query.where(Reading.taken_at >= wanted.since)
    if wanted.after is not None:
        query = query.where(Reading.id.in_(changed_readings(connection, wanted)))
    if by_moment:
        return query.order_by(Reading.taken_at, Reading.bench_id, Reading.seq)
    return query.order_by(Reading.bench_id, Reading.seq)
