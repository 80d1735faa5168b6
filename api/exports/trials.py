"""Trials, one row each. The header is part of the public contract and does not change."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import closing
from functools import lru_cache
from typing import Any, Final

from sqlalchemy import Connection, Select, case, select

from api.exports.columns import (
    Blocks,
    Column,
    Table,
    group_id_texts,
    id_texts,
    length_text,
    moment_texts,
    words_text,
)
from api.exports.wanted import Wanted, fetch
from api.store.statements import as_sent
from api.store.tables import Machine, Series, Trial, texts_read

TABLE: Final = Table(
    name="trials",
    title="Trials: the readings of one strip or part each, and what they say",
    columns=(
        Column("trial_id", "id", "the trial; the same in every pull"),
        Column("series_id", "id", "the series it belongs to"),
        Column("machine", "name", "the machine that was checked"),
        Column("method", "word", "what was cut and read"),
        Column("number", "integer", "the trial's number in its series, from 1"),
        Column("taken_at", "moment", "when its last reading was taken, in UTC"),
        Column("baseline_mm", "decimal", "the length that the deviation stands over", "mm"),
        Column("readings_mm", "decimals", "its readings, exact, in reading order", "mm"),
        Column("deviation_mm", "decimal", "open end minus fence end, exact", "mm"),
        Column(
            "angle_deg",
            "number",
            "the cut's error from its nominal angle; positive: its open end leans to the right,"
            " seen from above with the fence at the bottom",
            "deg",
        ),
        Column(
            "tilt_deg",
            "number",
            "the cut's error from its nominal tilt; positive: it leans to the right going up",
            "deg",
        ),
        Column(
            "expanded_uncertainty_deg",
            "number",
            "of this one trial's angle or tilt, at 95 % (JCGM 100)",
            "deg",
        ),
        Column(
            "state",
            "word",
            "complete; open: places are still to be read; gone: its readings were taken back, or"
            " it no longer answers the question (only in pulls of what is new)",
        ),
        Column("flags", "words", "what a careful reader should know of it"),
        Column("caliper", "name", "the instruments that read it"),
    ),
    key=("trial_id",),
)


def blocks(connection: Connection, wanted: Wanted) -> Blocks:
    """The trials wanted as TABLE has them, series by series as they were begun.

    With `after`, those that changed since, each once, in its present state. A trial that an
    earlier pull may have given, and a whole pull would no longer give, comes as gone.
    """
    with (
        closing(fetch(connection, _query(wanted))) as found,
        closing(fetch(connection, _series_query(wanted))) as beside,
    ):
        series_of = _SeriesBeside(beside)
        for ids, series, numbers, taken, *rest, flags, calipers in found:
            machines, methods, baselines = series_of(series)
            yield [
                id_texts(ids),
                group_id_texts(series),
                machines,
                methods,
                numbers,
                moment_texts(taken),
                baselines,
                *rest,
                [_flags_text(written) for written in flags],
                [_calipers_text(written) for written in calipers],
            ]


@lru_cache(maxsize=4096)
def _flags_text(written: str) -> str:
    return words_text(texts_read(written))


@lru_cache(maxsize=4096)
def _calipers_text(written: str) -> str:
    return " ".join(texts_read(written))


class _SeriesBeside:
    """The series' columns of each trial, read separately in the same order as the trials.

    A join would look up each series, and send its texts, once for each trial.
    """

    def __init__(self, found: Blocks) -> None:
        self._rows = (row for block in found for row in zip(*block, strict=True))
        self._current: tuple[Any, ...] = (None,)

    def __call__(self, series: Sequence[Any]) -> Iterable[Sequence[Any]]:
        """Machine, method and baseline of each of `series`, by column."""
        known = {}
        for each in dict.fromkeys(series):
            while self._current[0] != each:
                self._current = next(self._rows)
            _, machine, method, baseline_nm = self._current
            known[each] = (machine, method, length_text(baseline_nm))
        return zip(*[known[each] for each in series], strict=True)


def _series_query(wanted: Wanted) -> Select[Any]:
    query = (
        select(as_sent(Series.id), Machine.name, Series.method, Series.baseline_nm)
        .outerjoin(Machine, Machine.id == Series.machine_id)
        .order_by(Series.id)
    )
    query = wanted.of_series(query)
    if wanted.after is None:
        return query
    changed = select(Trial.series_id).where(Trial.id.in_(wanted.subjects_of("trial")))
    return query.where(Series.id.in_(changed))


def _query(wanted: Wanted) -> Select[Any]:
    state: Any = Trial.state
    if wanted.after is not None and wanted.since is not None:
        old = Trial.taken_at < wanted.since
        state = case((old, "gone"), else_=Trial.state)
    # In the order of an index: nothing is sorted first.
    query = select(
        as_sent(Trial.id),
        as_sent(Trial.series_id),
        Trial.number,
        as_sent(Trial.taken_at),
        Trial.readings_mm,
        Trial.deviation_mm,
        Trial.angle_deg,
        Trial.tilt_deg,
        Trial.expanded_uncertainty_deg,
        state,
        as_sent(Trial.flags),
        as_sent(Trial.calipers),
    ).order_by(Trial.series_id, Trial.number)
    if wanted.machine is not None or wanted.method is not None:
        query = query.where(Trial.series_id.in_(wanted.of_series(select(Series.id))))
    if wanted.after is not None:
        return query.where(Trial.id.in_(wanted.subjects_of("trial")))
    if wanted.since is not None:
        query = query.where(Trial.taken_at >= wanted.since)
    return query.where(Trial.state != "gone")
