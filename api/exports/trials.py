"""Trials, one row each. The header is part of the public contract: it only grows, at its end."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from functools import lru_cache
from typing import Any, Final

from sqlalchemy import Connection, Select, case, or_, select

from api.exports.changed import changed_trials, corrected_series
from api.exports.columns import (
    Blocks,
    Column,
    Join,
    Table,
    group_id_texts,
    id_texts,
    length_text,
    moment_texts,
    words_text,
)
from api.exports.corrected import Corrected
from api.exports.wanted import Wanted, fetch
from api.store.rows.calipers import shown_names
from api.store.statements import as_sent
from api.store.tables import Machine, Series, Stop, Trial, texts_read

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
            "complete; open: places are still to be read; left out: a person said that it does"
            " not count; gone: its readings were taken back or moved, or it no"
            " longer answers the question (only in pulls of what is new)",
        ),
        Column("flags", "words", "what a careful reader should know of it"),
        Column("caliper", "name", "the instruments that read it"),
        Column("length_mm", "number", "the length of the part, where the method says one", "mm"),
        Column("stop", "name", "the stop of the machine that it was cut at"),
        Column(
            "nominal_deg",
            "number",
            "the nominal angle of that stop, which angle_deg is the error from",
            "deg",
        ),
        Column("levels", "name", "the settings of its experiment; empty while none are kept"),
        Column(
            "corrected",
            "words",
            "what was said of it or of its series and is said otherwise now: names of settings;"
            " ends, counted, reading, moved for the trial itself",
        ),
        Column(
            "visit",
            "integer",
            "to the stop: the machine was not moved away from it between strips of one visit",
        ),
    ),
    key=("trial_id",),
    joins=(Join("series_id", "series", "series_id"),),
)


def blocks(connection: Connection, wanted: Wanted) -> Blocks:
    """The trials wanted as TABLE has them, series by series as they were begun.

    With `after`, those that changed since, each once, in its present state. A trial that an
    earlier pull may have given, and a whole pull would no longer give, comes as gone.
    """
    corrected = Corrected(connection, _series_ids(connection, wanted))
    shown = shown_names(connection)
    with (
        closing(fetch(connection, _query(connection, wanted))) as found,
        closing(fetch(connection, _series_query(connection, wanted))) as beside,
    ):
        series_of = _SeriesBeside(beside)
        for ids, series, numbers, taken, *rest, flags, calipers, lengths, visits in found:
            machines, methods, baselines, stops, nominal = series_of(series)
            series_texts = group_id_texts(series)
            nothing = (None,) * len(ids)
            yield [
                id_texts(ids),
                series_texts,
                machines,
                methods,
                numbers,
                moment_texts(taken),
                baselines,
                *rest,
                [_flags_text(written) for written in flags],
                [_calipers_text(written, shown) for written in calipers],
                lengths,
                stops,
                nominal,
                nothing,
                corrected.words(series_texts, numbers),
                visits,
            ]


@lru_cache(maxsize=4096)
def _flags_text(written: str) -> str:
    return words_text(texts_read(written))


def _calipers_text(written: str, shown: Mapping[str, str]) -> str:
    names = _names(written)
    if shown:
        names = tuple(dict.fromkeys(shown.get(name, name) for name in names))
    return " ".join(names)


_names: Final = lru_cache(maxsize=4096)(texts_read)


class _SeriesBeside:
    """The series' columns of each trial, read separately in the same order as the trials.

    A join would look up each series, and send its texts, once for each trial.
    """

    def __init__(self, found: Blocks) -> None:
        self._rows = (row for block in found for row in zip(*block, strict=True))
        self._current: tuple[Any, ...] = (None,)

    def __call__(self, series: Sequence[Any]) -> Iterable[Sequence[Any]]:
        """Machine, method, baseline, stop and nominal angle of each of `series`, by column."""
        known = {}
        for each in dict.fromkeys(series):
            while self._current[0] != each:
                self._current = next(self._rows)
            _, machine, method, baseline_nm, stop, nominal = self._current
            known[each] = (
                machine,
                method,
                length_text(baseline_nm),
                stop,
                nominal and float(nominal),
            )
        return zip(*[known[each] for each in series], strict=True)


def _series_query(connection: Connection, wanted: Wanted) -> Select[Any]:
    query = (
        select(
            as_sent(Series.id),
            Machine.name,
            Series.method,
            Series.baseline_nm,
            Stop.name,
            Stop.nominal_deg,
        )
        .outerjoin(Machine, Machine.id == Series.machine_id)
        .outerjoin(Stop, Stop.id == Series.stop_id)
        .order_by(Series.id)
    )
    ids = _series_ids(connection, wanted)
    return query if ids is None else query.where(Series.id.in_(ids))


def _series_ids(connection: Connection, wanted: Wanted) -> Select[Any] | None:
    """The series of the trials wanted, None for all."""
    narrowed = _narrowed(connection, wanted)
    if wanted.after is None:
        return narrowed
    changed = select(Trial.series_id).where(Trial.id.in_(changed_trials(connection, wanted)))
    return changed if narrowed is None else changed.where(Trial.series_id.in_(narrowed))


def _narrowed(connection: Connection, wanted: Wanted) -> Select[Any] | None:
    """The series of the machine and method wanted, and those that may have been before they were
    corrected, which come as gone; None where all are wanted."""
    if wanted.machine is None and wanted.method is None:
        return None
    matching = wanted.of_series(select(Series.id))
    if wanted.after is None:
        return matching
    corrected = corrected_series(connection, wanted)
    if corrected is None:
        return matching
    return select(Series.id).where(or_(Series.id.in_(matching), Series.id.in_(corrected)))


def _query(connection: Connection, wanted: Wanted) -> Select[Any]:
    state: Any = Trial.state
    narrowed = _narrowed(connection, wanted)
    if wanted.after is not None:
        no_more = []
        if wanted.since is not None:
            no_more.append(Trial.taken_at < wanted.since)
        if narrowed is not None:
            no_more.append(Trial.series_id.not_in(wanted.of_series(select(Series.id))))
        if no_more:
            state = case((or_(*no_more), "gone"), else_=Trial.state)
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
        Trial.length_mm,
        Trial.visit,
    ).order_by(Trial.series_id, Trial.number)
    if narrowed is not None:
        query = query.where(Trial.series_id.in_(narrowed))
    if wanted.after is not None:
        return query.where(Trial.id.in_(changed_trials(connection, wanted)))
    if wanted.since is not None:
        query = query.where(Trial.taken_at >= wanted.since)
    return query.where(Trial.state != "gone")
