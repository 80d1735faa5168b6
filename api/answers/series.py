"""A series: its trials, what they say, what deserves a second look, what did not count."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

import numpy as np
from sqlalchemy import Connection, Row

from analysis.conformity import UNKNOWN
from analysis.doubts import Doubt
from analysis.drift import Trend
from analysis.facts import SeriesFacts
from analysis.methods import Place, Quantity
from analysis.score import Score, score
from analysis.units import Unit, mm
from analysis.visits import Visits
from api.answers.checks import studies_of
from api.answers.earlier import found_before
from api.answers.findings import DoubtedTrials, all_doubts, doubted, doubts_at_hand, trend
from api.answers.scatter_before import scatter_before
from api.answers.studies import Study, study_of
from api.answers.uncounted import uncounted
from api.answers.visited import visited
from api.store.facts import facts_of, method_of, resolution_mm
from api.store.rows import series as rows
from api.store.rows.changes import of_series
from capture.folded import Aside


@dataclass(frozen=True, slots=True)
class TrialAnswer:
    """A trial's row (as in `tables.Trial`), its readings in slot order, its method's places."""

    row: Row[Any]
    readings: tuple[Row[Any], ...]
    places: tuple[Place, ...]


@dataclass(frozen=True, slots=True)
class Scored:
    """What the trials of a series say, and what was known of its calipers then."""

    row: Row[Any]
    score: Score
    study: Study


@dataclass(frozen=True, slots=True)
class ScoredTrials:
    """A series with its trials and what they say. Angles are in radians, lengths in mm, except in
    the trials' stored rows.

    row: the columns of `tables.Series`, with the names of its bench, machine and work.
    """

    row: Row[Any]
    trials: tuple[TrialAnswer, ...]
    facts: SeriesFacts
    scored: Scored


@dataclass(frozen=True, slots=True)
class SeriesAnswer(ScoredTrials):
    """A whole series; what is doubtful, and what did not count. corrections: as `rows.changes`
    gives them, in order."""

    doubts: tuple[DoubtedTrials, ...]
    trend: Mapping[Quantity, Trend]
    visits: Mapping[Quantity, Visits]
    uncounted: Sequence[Aside]
    corrections: Sequence[Row[Any]]


def series(connection: Connection, series_id: UUID) -> SeriesAnswer:
    """A whole series.

    Raises NotFound where no series has that id.
    """
    row = rows.series(connection, series_id)
    trials, readings = _trials(connection, row)
    found = _scored_trials(connection, row, trials, readings)
    facts = found.facts
    numbers = [t.number for t in trials if t.state == "complete"]
    rest = _rest(trials, readings)
    return SeriesAnswer(
        row=row,
        trials=found.trials,
        facts=facts,
        scored=found.scored,
        # Of a series that has just begun nothing can be said yet.
        doubts=doubted(facts, numbers, found_before(connection, row), rest) if numbers else (),
        trend=trend(facts),
        visits=visited(facts),
        uncounted=uncounted(connection, series_id),
        corrections=of_series(connection, series_id),
    )


def scored_trials(connection: Connection, series_id: UUID) -> ScoredTrials:
    """A series with its trials and what they say. Raises NotFound as `series`."""
    row = rows.series(connection, series_id)
    return _scored_trials(connection, row, *_trials(connection, row))


def scored_at_hand(connection: Connection, series_id: UUID) -> tuple[Scored, Sequence[Doubt]]:
    """What the trials of a series say, and the doubts about which something can be done at once.

    Raises NotFound where no series has that id.
    """
    return _with_doubts(connection, series_id, doubts_at_hand)


def scored_doubted(connection: Connection, series_id: UUID) -> tuple[Scored, Sequence[Doubt]]:
    """What the trials of a series say, and all doubts about them. Raises NotFound as
    `scored_at_hand`."""
    return _with_doubts(connection, series_id, all_doubts)


def _with_doubts(
    connection: Connection, series_id: UUID, find: Callable[..., Sequence[Doubt]]
) -> tuple[Scored, Sequence[Doubt]]:
    row = rows.series(connection, series_id)
    trials, readings = _trials(connection, row)
    facts, found, study = _scored(connection, row, trials, readings)
    numbers = [t.number for t in trials if t.state == "complete"]
    doubts: Sequence[Doubt] = ()
    if numbers:
        before = found_before(connection, row)
        doubts = find(facts, numbers, before, _rest(trials, readings))
    return Scored(row, found, study), doubts


def _rest(trials: Sequence[Row[Any]], readings: _Readings) -> list[float]:
    """What was read of an open trial after the last complete one, in mm."""
    return [mm(r.nm) for t in trials[-1:] if t.state == "open" for r in readings[t.id]]


def many_scored(connection: Connection, series: Sequence[UUID]) -> list[Scored]:
    """What each of many series says, in the order given, by a few queries for all of them, and two
    for each whose own trials give no verdict.

    Raises KeyError where no series has one of the ids.
    """
    found = rows.many_series(connection, series)
    of = [found[each] for each in series]
    trials, readings = rows.complete_trials(connection, series)
    each_measured = [measured(row, trials[row.id], readings) for row in of]
    studies = studies_of(connection, of, [calipers for _, calipers in each_measured])
    return [
        Scored(row, _score(connection, row, study.apply_to(facts), calipers)[1], study)
        for row, (facts, calipers), study in zip(of, each_measured, studies, strict=True)
    ]


def some_trials(connection: Connection, ids: Collection[UUID]) -> dict[UUID, TrialAnswer]:
    """Trials by their ids; the state of one is "gone" since its last reading was taken back."""
    if not ids:
        return {}
    readings = rows.readings_of_trials(connection, ids)
    return {
        row.id: TrialAnswer(row, tuple(readings[row.id]), method_of(row).places)
        for row in rows.some_trials(connection, ids)
    }


def measured(
    series: Row[Any], trials: Iterable[Row[Any]], readings: Mapping[Any, Sequence[Row[Any]]]
) -> tuple[SeriesFacts, tuple[str, ...]]:
    """The facts of the complete ones of `trials`, and the calipers that read them.

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
    facts = facts_of(series, widths, resolution_mm(sent))
    visit = np.array([t.visit for t in complete])
    return replace(facts, work=series.work, visit=visit), tuple(calipers)


_Readings = dict[UUID, list[Row[Any]]]


def _trials(connection: Connection, series: Row[Any]) -> tuple[Sequence[Row[Any]], _Readings]:
    return rows.trials(connection, series.id), rows.readings_of_series(connection, series.id)


def _scored_trials(
    connection: Connection, row: Row[Any], trials: Sequence[Row[Any]], readings: _Readings
) -> ScoredTrials:
    facts, found, study = _scored(connection, row, trials, readings)
    places = method_of(row).places
    each = tuple(TrialAnswer(t, tuple(readings[t.id]), places) for t in trials)
    return ScoredTrials(row, each, facts, Scored(row, found, study))


def _scored(
    connection: Connection, series: Row[Any], trials: Sequence[Row[Any]], readings: _Readings
) -> tuple[SeriesFacts, Score, Study]:
    found, calipers = measured(series, trials, readings)
    study = Study()  # of a series that is itself a study
    if found.method.judges == "machine":
        at = series.finished_at or datetime.now(UTC)
        study = study_of(connection, calipers, at, series.person)
    return *_score(connection, series, study.apply_to(found), calipers), study


def _score(
    connection: Connection, series: Row[Any], facts: SeriesFacts, calipers: Sequence[str]
) -> tuple[SeriesFacts, Score]:
    """The score; where its own trials do not tell, with the scatter of the earlier series."""
    found = score(facts)
    if not any(q.verdict == UNKNOWN and q.rule == "each look" for q in found.quantities.values()):
        return facts, found
    (earlier,) = scatter_before(connection, [(series, calipers)])
    facts = replace(facts, earlier=earlier)
    return facts, score(facts) if facts.earlier else found
